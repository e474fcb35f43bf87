"""What the kernel says about the host's clock: synchronised or not, and how well.

Source: adjtimex(2); ``esterror`` and ``maxerror`` are in microseconds.
"""

from __future__ import annotations

import ctypes
import json
from dataclasses import asdict, dataclass

_STA_UNSYNC = 0x0040
_TIME_ERROR = 5


class _Timex(ctypes.Structure):
    _fields_ = [
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_long * 32),
    ]


@dataclass(frozen=True, slots=True)
class HostClock:
    """The kernel's own estimate; ``synchronised`` None: it could not be asked."""

    synchronised: bool | None
    estimated_error_s: float | None = None
    largest_error_s: float | None = None

    @property
    def text(self) -> str:
        """The estimate as one line of JSON."""
        return json.dumps(asdict(self))


def host_clock() -> HostClock:
    """Ask the kernel. Nothing is changed: ``modes`` is zero."""
    try:
        state = _Timex()
        code = ctypes.CDLL(None).adjtimex(ctypes.byref(state))
    except (OSError, AttributeError):  # not Linux
        return HostClock(None)
    if code < 0:
        return HostClock(None)
    return HostClock(
        code != _TIME_ERROR and not state.status & _STA_UNSYNC,
        state.esterror * 1e-6,
        state.maxerror * 1e-6,
    )
