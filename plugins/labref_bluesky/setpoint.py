"""A synthesizer's set-point as a movable device, which refuses to move.

Moving a laser or an AOM can hurt people and instruments. This release moves nothing: a `SetPoint`
is made disabled, refuses every `set`, and only somebody who read the lab's own safety rules
enables it, in code, with the limits inside which it is harmless. It is no relock and no steering,
and it opens no shutter. Defer to the local laser-safety officer.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from labref.model.errors import RefusedError
from labref.model.times import NS_PER_S, Clock, RealClock
from labref_bluesky.devices import Reading
from labref_bluesky.watch import DeviceStatus


class SetPoint:
    """``write`` and ``read_back`` do the work, in Hz; ``limits_hz`` bound it."""

    parent = None

    def __init__(
        self,
        name: str,
        write: Callable[[float], None],
        read_back: Callable[[], float],
        limits_hz: tuple[float, float],
        *,
        enabled: bool = False,
        clock: Clock | None = None,
    ) -> None:
        if not limits_hz[0] < limits_hz[1]:
            raise ValueError(f"{name}: limits run from the lower to the higher")
        self.name = name
        self.enabled = enabled
        self._write = write
        self._read_back = read_back
        self._limits_hz = limits_hz
        self._clock = RealClock() if clock is None else clock
        self._wanted_hz: float | None = None

    @property
    def hints(self) -> dict[str, Any]:
        """What a plot shows first."""
        return {"fields": [self.name]}

    def check_value(self, value: float) -> None:
        """Raise RefusedError for what `set` would refuse. Nothing is clipped."""
        low, high = self._limits_hz
        if not (math.isfinite(value) and low <= value <= high):
            raise RefusedError(f"{self.name}: {value!r} Hz is outside {low!r} to {high!r} Hz")
        if not self.enabled:
            raise RefusedError(
                f"{self.name}: this set-point is not enabled; nothing moves unless the lab's owner "
                "enables it in code, after the laser-safety officer agreed"
            )

    def set(self, value: float) -> DeviceStatus:
        """Write and read back; the status carries what went wrong. Raises RefusedError."""
        self.check_value(value)
        status = DeviceStatus()
        try:
            self._write(value)
            self._wanted_hz = value
            status.finish()
        except Exception as error:  # noqa: BLE001 - whatever the lab's own setter raises
            status.finish(error)
        return status

    def stop(self, success: bool = True) -> None:
        """A set-point does not move between two values: nothing to stop."""

    def locate(self) -> dict[str, float]:
        """Set-point and read-back in Hz."""
        back = self._read_back()
        return {"setpoint": back if self._wanted_hz is None else self._wanted_hz, "readback": back}

    def read(self) -> Reading:
        """The read-back value."""
        stamp_s = self._clock.now_ns() / NS_PER_S
        return {self.name: {"value": self._read_back(), "timestamp": stamp_s}}

    def describe(self) -> Reading:
        """Its data key."""
        key = {"source": "labref:set-point", "dtype": "number", "shape": [], "dtype_numpy": "<f8"}
        return {self.name: {**key, "units": "Hz"}}
