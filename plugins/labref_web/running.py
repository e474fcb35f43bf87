"""Running deviations of all transitions since the service started, fed once a second.

Fed in the service's thread with what the pass left in a queue; where that overflowed, or gates
are missing, the gap is declared to the statistic, never bridged.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from labref.config.lab import Lab, LabTransition
from labref.model.result import Result
from labref.stability.running import RunningOadev, Source
from labref_web import past_structs
from labref_web.words import known

LONGEST_M = 2**17
_LONGEST_GAP = 10**9


class Running:
    """The overlapping Allan deviation of every transition, in bounded memory."""

    def __init__(self, lab: Lab) -> None:
        self._lab = lab
        self._of: dict[str, RunningOadev] = {}
        self._spacing: dict[str, int] = {}
        self._last_stop: dict[str, int] = {}
        for name, transition in lab.transitions.items():
            base = lab.channels[transition.base]
            self._spacing[name] = transition.gate_ns + base.dead_time_ns
            self._of[name] = RunningOadev(_source(transition, lab), longest_m=LONGEST_M)

    def add(self, results: Iterable[Result]) -> None:
        """Take results in the order of time, joined by transition: one call of numpy for many."""
        found: dict[str, list[Result]] = {}
        for result in results:
            found.setdefault(result.frequencies.transition, []).append(result)
        for name, blocks in found.items():
            self._add(name, blocks)

    def view(self, name: str) -> past_structs.DeviationView:
        """What is known so far; without any term the columns are empty."""
        result = self._of[name].result()
        return past_structs.DeviationView(
            transition=name,
            title=result.title,
            unit=result.unit,
            confidence=result.confidence,
            tau_s=result.tau_s.tolist(),
            value=result.deviation.tolist(),
            low=[known(value) for value in result.lower.tolist()],
            high=[known(value) for value in result.upper.tolist()],
            need=None,
            gaps=str(result.gaps),
            notes=list(result.notes),
        )

    def _add(self, name: str, blocks: list[Result]) -> None:
        start = np.concatenate([b.frequencies.start_ns for b in blocks])
        stop = np.concatenate([b.frequencies.stop_ns for b in blocks])
        detuning = np.concatenate([b.frequencies.detuning for b in blocks])
        usable = np.isfinite(detuning) & (stop > start)
        spacing = self._spacing[name]
        last = self._last_stop.get(name)
        before = np.r_[start[0] if last is None else last, stop[:-1]]
        dead = spacing - (stop - start)
        missing = np.rint((start - before - dead) / spacing).astype(np.int64)
        if last is None:
            missing[0] = 0
        running = self._of[name]
        cuts = np.flatnonzero(missing > 0)
        for first, end in zip(np.r_[0, cuts], np.r_[cuts, len(start)], strict=True):
            if first == end:
                continue
            if missing[first] > 0:
                running.gap(min(int(missing[first]), _LONGEST_GAP))
            running.add(detuning[first:end], usable[first:end])
        self._last_stop[name] = int(stop[-1])


def _source(transition: LabTransition, lab: Lab) -> Source:
    base = lab.channels[transition.base]
    gate_s = transition.gate_ns * 1e-9
    return Source(
        tau0_s=(transition.gate_ns + base.dead_time_ns) * 1e-9,
        scale=1.0 / float(transition.nominal_hz),
        name=transition.name,
        loop="in" if transition.asserted else base.loop.value,
        weighting=base.weighting.value,
        base_s=gate_s,
        dead_time_s=base.dead_time_ns * 1e-9,
    )
