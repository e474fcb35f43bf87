"""Run every check on a block and combine what they say; a check that fails is unknown."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from labref.checks.base import Check, Event, all_unknown, is_derived
from labref.model.errors import InputError
from labref.model.fault import Fault
from labref.model.readings import Readings
from labref.model.result import Result
from labref.model.verdict import Frequencies, Judgement, Reason, State, combine
from labref.session.announce import Announcer


class Judge:
    """All checks of a lab, by transition. Raises InputError where a transition has none."""

    def __init__(self, checks: Sequence[Check], transitions: Sequence[str]) -> None:
        self._checks: dict[str, list[Check]] = {name: [] for name in transitions}
        for check in checks:
            if check.transition not in self._checks:
                raise InputError(f"check {check.name!r} judges unknown {check.transition!r}")
            self._checks[check.transition].append(check)
        # Stable: screens first, each kind in the order in which it was registered.
        for found in self._checks.values():
            found.sort(key=lambda check: not _screens(check))
        self._tellers: list[Any] = [check for check in checks if hasattr(check, "events")]
        bare = [name for name, found in self._checks.items() if not found]
        if bare:
            raise InputError(f"no check judges {', '.join(bare)}: load the plugin 'tolerance'")

    @property
    def channels(self) -> dict[str, tuple[str, ...]]:
        """For each transition the channels its checks want to see."""
        return {
            name: tuple(sorted({channel for check in checks for channel in check.channels}))
            for name, checks in self._checks.items()
        }

    def events(self, tell: Announcer) -> list[Event]:
        """What checks have to tell since the last call, in the order of time."""
        found: list[Event] = []
        for check in self._tellers:
            try:
                found += check.events()
            except Exception as error:  # noqa: BLE001 - as a check that fails to judge
                where = f"check {check.name} of {check.transition}"
                tell.fault(Fault(where, f"its events: {error!r}", 0))
        return sorted(found) if len(found) > 1 else found

    def watch(self, transition: str, readings: Mapping[str, Readings], tell: Announcer) -> None:
        """Let checks see readings of a pass in which their transition derived nothing."""
        empty = Frequencies(transition, "0", 0, *_EMPTY)
        for check in self._checks[transition]:
            if check.channels and any(channel in readings for channel in check.channels):
                self._ask(check, empty, readings, tell)

    def judge(
        self, frequencies: Frequencies, readings: Mapping[str, Readings], tell: Announcer
    ) -> Result:
        """Judge one block: every check's view and their conjunction."""
        judgements = []
        for check in self._checks[frequencies.transition]:
            judgement = self._ask(check, frequencies, readings, tell)
            judgements.append(judgement)
            if judgement.flags is not None or judgement.extra_u_hz is not None:
                frequencies = _screened(frequencies, judgement)
        states = combine([judgement.states for judgement in judgements])
        if not is_derived(frequencies):
            missing = ~np.isfinite(frequencies.offset)
            states = np.where(missing, np.uint8(State.UNKNOWN), states)
        return Result(frequencies, states, tuple(judgements))

    def _ask(
        self,
        check: Check,
        frequencies: Frequencies,
        readings: Mapping[str, Readings],
        tell: Announcer,
    ) -> Judgement:
        where = f"check {check.name} of {check.transition}"
        try:
            judgement = check.judge(frequencies, readings)
            if len(judgement.states) != len(frequencies):
                raise ValueError(f"{len(judgement.states)} states for {len(frequencies)} gates")
        except Exception as error:  # noqa: BLE001 - a failing check is a fault and an unknown
            time_ns = int(frequencies.stop_ns[-1]) if len(frequencies) else 0
            tell.fault(Fault(where, repr(error), time_ns))
            reason = Reason(f"{check.name} check failed", "a check that works", "check failed")
            return all_unknown(check.name, len(frequencies), reason)
        tell.cleared(where)
        return judgement


def _screens(check: Check) -> bool:
    return bool(getattr(check, "screens", False))


def _screened(frequencies: Frequencies, judgement: Judgement) -> Frequencies:
    """The block with the flags and the uncertainty that a check adds; no value is deleted."""
    flags, extra = frequencies.flags, frequencies.extra_u_hz
    if judgement.flags is not None:
        flags = flags | judgement.flags
    if judgement.extra_u_hz is not None:
        extra = judgement.extra_u_hz if extra is None else np.hypot(extra, judgement.extra_u_hz)
    return replace(frequencies, flags=flags, extra_u_hz=extra)


_EMPTY = (
    np.empty(0, np.int64),
    np.empty(0, np.int64),
    np.empty(0),
    np.empty(0),
    np.empty(0, np.uint32),
    np.empty(0),
    np.empty(0),
)
