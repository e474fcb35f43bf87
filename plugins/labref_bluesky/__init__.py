"""labref inside a Bluesky run engine: devices by protocol only; bluesky is never imported here.

    watch = Watch(session)                                   # tells changes; a context manager
    clock = TransitionDevice(watch, "clock729")              # readable and monitorable
    ok = GoodSignal(watch, ["cooling397", "clock729"])       # for SuspendBoolLow(ok)
    window = PointWindow(watch, ["clock729"])                # for plans.good_point
    flyer = TransitionFlyer(watch, "clock729", "night/trace", "night/runs")

Only ``labref_bluesky.plans`` needs bluesky, and loads it when a plan runs. Nothing here moves an
output, except a `SetPoint` that was enabled by hand.
"""

from labref_bluesky.devices import GoodSignal, TransitionDevice
from labref_bluesky.flyer import TransitionFlyer
from labref_bluesky.setpoint import SetPoint
from labref_bluesky.watch import DeviceStatus, Watch
from labref_bluesky.window import PointWindow

__all__ = [
    "DeviceStatus",
    "GoodSignal",
    "PointWindow",
    "SetPoint",
    "TransitionDevice",
    "TransitionFlyer",
    "Watch",
]
