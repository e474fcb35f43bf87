"""The window of one point as a device: its mean, and whether all of it was good.

A suspender acts when the light is known to be bad, a gate after it was: the point in between is
already read. So a plan keeps a point only after the gates over its whole window have come:
`begin`, read the detectors, trigger this device, wait, look at `is_good`; then save or drop.

After a suspension the engine repeats the messages since the last checkpoint, not the Python
between them: then the window begins too early, holds the excursion, and the point is repeated
once more. It can never be too short.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from labref.model.errors import InputError
from labref.model.shot import ShotRecord, WindowClock
from labref.model.shot_table import MEAN_FIELDS, mean_values
from labref.model.times import NS_PER_S
from labref.session.shots import Shot
from labref_bluesky.devices import Reading, truth
from labref_bluesky.watch import DeviceStatus, Watch

_TEXTS = frozenset(["frequency_hz", "nominal_hz", "reason", "state", "noise", "unwatched"])
_INTEGERS = frozenset(["gates", "complete"])
_FIELDS = tuple(name for name in MEAN_FIELDS if name != "transition")


class PointWindow:
    """Readable after `trigger`: every field of a shot's record, by transition."""

    parent = None

    def __init__(
        self,
        watch: Watch,
        transitions: Iterable[str],
        name: str = "window",
        clock: WindowClock | None = None,
    ) -> None:
        self.name = name
        self._session = watch.session
        self._transitions = tuple(transitions)
        self._clock = clock
        self._number = 0
        self._shot: Shot | None = None
        self._record: ShotRecord | None = None
        self._status: DeviceStatus | None = None
        watch.add(self._look)

    @property
    def record(self) -> ShotRecord:
        """The last finished window. Raises InputError before there is one."""
        if self._record is None:
            raise InputError(f"{self.name}: no window is finished yet")
        return self._record

    @property
    def is_good(self) -> bool | None:
        """Whether all of the last window was good; None is unknown."""
        return None if self._record is None else self._record.is_good

    @property
    def hints(self) -> dict[str, Any]:
        """What a plot shows first."""
        return {"fields": [f"{self.name}_{t}_detuning_hz" for t in self._transitions]}

    def begin(self) -> None:
        """The window begins now; one that was not triggered is forgotten."""
        self._leave()
        self._number += 1
        name = f"{self.name} {self._number}"
        self._shot = self._session.shot(name, self._transitions, clock=self._clock)
        self._record = None
        self._shot.__enter__()

    def trigger(self) -> DeviceStatus:
        """The window ends now; the status is done when its record is complete.

        Again, without `begin`: the window still begins where it began, and ends now.
        """
        status = self._status = DeviceStatus()
        if self._shot is None:
            status.finish(InputError(f"{self.name}: begin() it before it is triggered"))
            return status
        if self._shot.stop_ns:
            again = self._session.shot(self._shot.shot, self._transitions, clock=self._clock)
            with again:
                ahead = again.start_ns - self._session.clock.now_ns()
                now_ns = self._session.clock.now_ns() + ahead
                again.triggered(self._shot.start_ns, max(now_ns, self._shot.stop_ns), again.clock)
            self._shot = again
        else:
            self._leave()
        return status

    def read(self) -> Reading:
        """The record as a reading, stamped with the window's end. Raises InputError."""
        record = self.record
        stamp_s = record.stop_ns / NS_PER_S
        values: dict[str, Any] = {"good": truth(record.is_good)}
        values |= {"start_ns": record.start_ns, "stop_ns": record.stop_ns}
        for mean in record.means:
            for name, value in mean_values(mean).items():
                if name in _INTEGERS:
                    values[f"{mean.transition}_{name}"] = int(value or 0)
                elif name != "transition":
                    values[f"{mean.transition}_{name}"] = value
        return {f"{self.name}_{k}": {"value": v, "timestamp": stamp_s} for k, v in values.items()}

    def describe(self) -> Reading:
        """The data keys of `read`."""
        found = {f"{self.name}_{key}": _described(key) for key in ("good", "start_ns", "stop_ns")}
        for transition in self._transitions:
            for name in _FIELDS:
                found[f"{self.name}_{transition}_{name}"] = _described(name)
        return found

    def unstage(self) -> list[Any]:
        """Let go of a window that was begun and never triggered."""
        self._leave()
        return [self]

    def stage(self) -> list[Any]:
        """Nothing to prepare."""
        return [self]

    def _leave(self) -> None:
        if self._shot is not None and self._shot.start_ns and not self._shot.stop_ns:
            self._shot.__exit__(None, None, None)

    def _look(self) -> None:
        status, shot = self._status, self._shot
        if status is None or status.done or shot is None or not shot.is_recorded:
            return
        self._record = shot.record(0)
        status.finish()


def _described(name: str) -> dict[str, Any]:
    dtype, kind = "number", "<f8"
    if name in _TEXTS:
        dtype, kind = "string", "<U256"
    elif name in _INTEGERS or name in ("good", "start_ns", "stop_ns"):
        dtype, kind = "integer", "<i8"
    key = {"source": "labref:shot", "dtype": dtype, "shape": [], "dtype_numpy": kind}
    units = {"_hz": "Hz", "_ns": "ns", "_hz_s": "Hz/s"}
    unit = next((units[end] for end in ("_hz_s", "_hz", "_ns") if name.endswith(end)), None)
    return key if unit is None or dtype == "string" else {**key, "units": unit}
