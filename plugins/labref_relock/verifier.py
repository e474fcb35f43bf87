"""Collects the evidence about one laser while passes go by, and asks for the answer (M17, M19)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np

from labref.actuation.base import Seen
from labref.actuation.levels import Level
from labref.config.provenance import shared
from labref.frequency.equation import Equation
from labref.model.exact import exact_text
from labref.model.integer import Integer
from labref.model.times import NS_PER_S
from labref.model.verdict import State
from labref_relock.evidence import Answer, Case, Judged, judge
from labref_relock.table import RelockTable
from labref_relock.tracks import WitnessTrack

_GOOD = int(State.GOOD)


class Verifier:
    """Follows one transition's light, its witness, and what vouches for the witness.

    `begin` starts a stretch; gates that are not inside the tolerance, or with the lock not said to
    hold, start it anew. `judged` is None until it has lasted ``stable_s``.
    """

    def __init__(self, lab: Any, table: RelockTable, lock: Level) -> None:
        self._table, self._lock = table, lock
        self.transition = lab.transitions[table.transition]
        self._numbers = _Numbers(lab, self.transition, table)
        self.coarse = WitnessTrack(lab.witnesses[table.coarse], self.transition, lab)
        self._vouchers = list(_vouchers(lab, table, self.transition))
        self._seconds = list(_seconds(lab, table, self.transition))
        self._stable_ns = round(float(table.stable_s) * NS_PER_S)
        self._lost_ns: int | None = None
        self._from_ns = 0
        self._until_ns = 0
        self.last_reason = "nothing seen yet"

    def see(self, seen: Seen) -> None:
        """Take in a pass."""
        for track in (self.coarse, *self._vouchers, *self._seconds):
            track.see(seen)
        self._numbers.see(seen)
        for result in seen.results.get(self.transition.name, ()):
            self._gates(result.frequencies, seen.now_ns)

    def lost(self, now_ns: int) -> None:
        """The lock was lost: what was known before is the history."""
        if self._lost_ns is None:
            self._lost_ns = now_ns

    def begin(self, now_ns: int) -> None:
        """Start a stretch of evidence."""
        self._from_ns = self._until_ns = now_ns
        self.last_reason = "no gate yet"
        for track in (self.coarse, *self._seconds):
            track.begin(now_ns)

    def judged(self, now_ns: int, *, never_lost: bool = False) -> Judged | None:
        """The answer once the light was stable for long enough; None: not yet.

        ``never_lost``: the lock held ever since the integers were last believed.
        """
        if self._until_ns - self._from_ns < self._stable_ns:
            return None
        said = self.coarse.word()
        if said is None:
            self.last_reason = f"no word from {self._table.coarse}"
            return None
        return judge(self._case(said, now_ns, never_lost))

    def has_second(self, judged: Judged) -> bool:
        """Whether an independent second witness is among those that confirm."""
        return any(track.witness.name in judged.confirmed_by for track in self._seconds)

    def verified(self) -> None:
        """It was believed: from here on a new history is written."""
        self._lost_ns = None

    def integers(self, judged: Judged, now_ns: int) -> tuple[Integer, ...]:
        """The records renewed by this evidence."""
        assert judged.found is not None
        found = judged.found
        return tuple(
            replace(
                record,
                evidence=judged.text,
                k=found.k,
                found_ns=now_ns,
                f_rep_hz=exact_text(self._numbers.spacing_hz),
                by=f"relock {self._table.transition}",
                margin_hz=float(found.margin_hz),
                void_reason=None,
            )
            for record in self._numbers.records
        )

    def _gates(self, block: Any, now_ns: int) -> None:
        tolerance = self.transition.tolerance
        states = tolerance.judge(block.detuning, block.u_hz)
        held = self._lock.says(now_ns)
        ok = (states == _GOOD) & np.isfinite(block.tap_offset)
        if held is True and block.start_ns[0] >= self._from_ns and ok.all():
            self._until_ns = int(block.stop_ns[-1])
            return
        for i in range(len(block)):
            if block.start_ns[i] < self._from_ns:
                continue
            if not ok[i] or held is not True:
                self.begin(int(block.stop_ns[i]))
                self.last_reason = (
                    "the lock is not said to hold" if held is not True
                    else "not inside the tolerance by U"
                )  # fmt: skip
            else:
                self._until_ns = int(block.stop_ns[i])

    def _case(self, said: tuple[Any, Fraction], now_ns: int, never_lost: bool) -> Case:
        word, tap_offset = said
        before_ns = now_ns if self._lost_ns is None else self._lost_ns
        history_s = float(self._table.history_s)
        found = (t.voucher(now_ns, before_ns, history_s) for t in self._vouchers)
        seconds = (t.word() for t in self._seconds)
        return Case(
            self._numbers.tap_hz + tap_offset,
            self._numbers.n,
            self._numbers.beat_sign,
            self._numbers.spacing_hz,
            self._numbers.beat_hz,
            word,
            self.coarse.past(before_ns, history_s),
            tuple(voucher for voucher in found if voucher is not None),
            tuple(second[0] for second in seconds if second is not None),
            float(self._table.k),
            self._table.confirmations,
            never_lost,
        )


class _Numbers:
    """Exact numbers of a laser's own equation at its tap: integer, spacing, beat."""

    def __init__(self, lab: Any, transition: Any, table: RelockTable) -> None:
        laser = lab.lasers[transition.laser]
        self.tap_hz: Fraction = transition.tap_equation.nominal(lab.channels)
        self._base = transition.base
        self._beat = Fraction(0)
        self._per_base = Fraction(0)
        own = [lab.integers[name] for name in transition.integers]
        self.records = tuple(r for r in own if r.name.startswith(f"lasers.{transition.laser}."))
        numbers = {r.name.rsplit(".", 1)[1]: r.value for r in self.records}
        self.n = numbers.get("n", numbers.get("mode", 1))
        if laser.combs:
            f_rep: Equation = lab.f_reps[laser.combs[0]]
            self.spacing_hz: Fraction = f_rep.nominal(lab.channels)
            beat = _beat_of(lab, laser, f_rep, self.n)
            self._beat = beat.nominal(lab.channels)
            self._per_base = beat.coefficient(self._base)
        else:
            self.spacing_hz = Fraction(table.spacing_hz or 10**12)
        self._offset = Fraction(0)

    def see(self, seen: Seen) -> None:
        """Keep the beat's present value."""
        readings = seen.readings.get(self._base)
        if readings is not None and len(readings) and bool(readings.usable[-1]):
            self._offset = Fraction(float(readings.offset[-1]))

    @property
    def beat_hz(self) -> Fraction:
        """The beat itself, positive; 0 where there is none."""
        return abs(self._beat + self._per_base * self._offset)

    @property
    def beat_sign(self) -> int:
        """The side of the tooth that the lab file says."""
        return -1 if self._beat < 0 else 1


def _beat_of(lab: Any, laser: Any, f_rep: Equation, n: int) -> Equation:
    """What is left of n f_rep + f_ceo + beat without the first two, with its sign."""
    comb = f"combs.{laser.combs[0]}"
    below = lab.provenance.rests_on(comb)
    beat: Equation = laser.equation.plus(f_rep, -n)
    ceo = [name for name in beat.channels if f"channels.{name}" in below]
    return replace(beat, terms=tuple(term for term in beat.terms if term[0] not in ceo))


def _instrument(lab: Any, witness: Any) -> str | None:
    feed = lab.feeds.get(witness.channel)
    return None if feed is None else feed[0]


def _vouchers(lab: Any, table: RelockTable, own: Any) -> Iterator[WitnessTrack]:
    """Other lasers on the same wavemeter."""
    instrument = _instrument(lab, lab.witnesses[table.coarse])
    for transition in lab.transitions.values():
        if transition.laser == own.laser or instrument is None:
            continue
        for witness in transition.witnesses:
            if witness.kind == "frequency" and _instrument(lab, witness) == instrument:
                yield WitnessTrack(witness, transition, lab)


def _seconds(lab: Any, table: RelockTable, own: Any) -> Iterator[WitnessTrack]:
    """Other witnesses of the same laser that share nothing with the first."""
    first = lab.witnesses[table.coarse]
    for witness in own.witnesses:
        other = _instrument(lab, witness) != _instrument(lab, first)
        if witness.kind != "frequency" or witness.name == first.name or not other:
            continue
        if not shared(lab.provenance, f"witnesses.{witness.name}", f"witnesses.{first.name}"):
            yield WitnessTrack(witness, own, lab)


__all__ = ["Answer", "Verifier"]
