"""Relocking as an actuator: sweep, find, engage, verify; or verify alone (rules S3, S6, M19).

lock lost ──> open the lock ──> sweep outward ──> found ──> close ──> held? ──> verify
                                    ^                           │no       │
                                    └───────────────────────────┴── wrong tooth

verify: right: done, integers renewed · refused: a person · never stable: failed
"""

from __future__ import annotations

from collections.abc import Generator, Mapping
from decimal import Decimal
from fractions import Fraction
from typing import Any

from labref.actuation.base import Ending, Move, Outcome, Seen, Step, Wait, Walk
from labref.actuation.levels import Level
from labref.actuation.tables import LevelTable
from labref.model.flags import Flag
from labref.model.times import NS_PER_S
from labref_relock.check import RelockCheck
from labref_relock.evidence import Answer, Judged
from labref_relock.sweep import Sweep
from labref_relock.table import RelockTable
from labref_relock.verifier import Verifier

_LOOK_S = 0.2
_LONGEST_LOOK_S = 10.0  # for one fresh word of the witness at one place of the sweep

Verified = Generator[Step, Seen, Outcome | None]


class Relock:
    """Restores one lock. ``pending`` says since when its light is not verified, or is empty."""

    kind = "relock"
    patience_s = 600.0

    def __init__(self, name: str, table: RelockTable, lab: Any) -> None:
        self.name = name
        self.table = table
        self.transitions = _touched(lab, table)
        self.outputs = (
            (table.sweep,) if table.engage is None else (table.sweep, table.engage.output)
        )
        self.after = tuple(table.after)
        self.armed_in_file = table.armed
        self.attempts = (table.attempts_per_hour, table.attempts_per_day)
        self.cautions = _cautions(table)
        self._lock = Level("lock", table.lock)
        self._beat = None if table.beat is None else Level("beat", table.beat)
        self._needs = _levels(table) | _needs(lab, table)
        self._amplifier = _named(table, "seed_power", "amplifier_off")
        self.verifier = Verifier(lab, table, self._lock)
        self._target = _target_offset(lab, table)
        low, high = lab.tables["outputs"][table.sweep].harmless
        self._range = Fraction(low), Fraction(high)
        self._comb = lab.transitions[table.transition].tap_equation.channels
        self._untrusted = ""
        self._lost_ns: int | None = None
        self._odd_ns: int | None = None
        self._was_lost = False
        self._running = False
        self._asked_person = False
        self.pending = ""
        self.checks: tuple[object, ...] = ()
        if table.armed:
            self.checks = (RelockCheck(table.transition, self),)

    # watching ----------------------------------------------------------------------------

    @property
    def running(self) -> bool:
        """Whether an attempt is on its way."""
        return self._running

    def watch(self, seen: Seen) -> None:
        """Follow lock, levels and evidence, armed or not."""
        for level in (self._lock, *self._needs.values()):
            level.see(seen.readings)
        if self._beat is not None:
            self._beat.see(seen.readings)
        self._look_at_references(seen)
        held = self._lock.says(seen.now_ns)
        if held is False:
            if self._lost_ns is None:
                self._lost_ns = seen.now_ns
            self._doubt("it is not verified since the lock was lost", seen.now_ns, True)
        elif held:
            self._lost_ns = None
        self.verifier.see(seen)
        if held and not self._running:
            self._compare(seen)
        if self.pending and held and not self._running:
            self._look_by_the_way(seen)

    def blocked(self, seen: Seen) -> str:
        """Hold while reference, amplifier or beam block are not known to be well."""
        either = [self._needs[key] for key in self._amplifier]
        if either and not any(level.says(seen.now_ns) for level in either):
            return "the amplifier is neither known to be seeded nor known to be off"
        for key, level in self._needs.items():
            if key not in self._amplifier and level.says(seen.now_ns) is not True:
                return f"{key} is not known to be well"
        return self._untrusted

    def wanted(self, seen: Seen) -> str:
        """An attempt is wanted when the lock is lost, or holds and its light is doubted."""
        held = self._lock.says(seen.now_ns)
        if held is False and self._lost_ns is not None:
            lost = (seen.now_ns - self._lost_ns) / NS_PER_S >= float(self.table.lost_s)
            return "the lock is lost" if lost else ""
        if held and self.pending and not self._asked_person:
            return f"the lock holds, but {self.pending}"
        return ""

    def _compare(self, seen: Seen) -> None:
        """A lock that holds on a wrong tooth is lost too: the witness disagrees for a while."""
        difference = self.verifier.coarse.difference(seen.now_ns)
        if difference is None:
            return
        if abs(difference) <= float(self.table.k) * self.verifier.coarse.u_hz:
            self._odd_ns = None
        elif self._odd_ns is None:
            self._odd_ns = seen.now_ns
        elif not self.pending and seen.now_ns - self._odd_ns >= float(self.table.lost_s) * NS_PER_S:
            self._doubt("the witness disagrees with the comb", self._odd_ns)

    def _look_at_references(self, seen: Seen) -> None:
        for name in self._comb:
            readings = seen.readings.get(name)
            if readings is not None and len(readings):
                flagged = bool(readings.flags[-1] & int(Flag.REFERENCE))
                if flagged:
                    self._untrusted = f"the reference of {name} is not trusted"
                elif self._untrusted.endswith(f" {name} is not trusted"):
                    self._untrusted = ""

    def _doubt(self, why: str, since_ns: int, was_lost: bool = False) -> None:
        self._asked_person = False
        self._was_lost = self._was_lost or was_lost
        self.pending = why
        self.verifier.lost(since_ns)
        self.verifier.begin(since_ns)

    def _look_by_the_way(self, seen: Seen) -> None:
        """Somebody else may have brought it back: the same evidence serves."""
        judged = self.verifier.judged(seen.now_ns, never_lost=not self._was_lost)
        if judged is None:
            return
        if judged.answer is Answer.RIGHT:
            self._believe()
        else:
            # What was seen while it was wrong says nothing about it once it is back.
            self.verifier.begin(seen.now_ns)

    def _believe(self) -> None:
        self.pending, self._was_lost = "", False
        self.verifier.verified()

    # moving ------------------------------------------------------------------------------

    def attempt(self, seen: Seen) -> Walk:
        """One attempt. Ends DONE only with the light verified."""
        self._running = True
        try:
            if self._lock.says(seen.now_ns):
                outcome = yield from self._verify(seen)
                if outcome is not None:
                    return outcome
            return (yield from self._search(seen))
        finally:
            self._running = False

    def _search(self, seen: Seen) -> Walk:
        """Sweep from where it stands; every place found is closed and verified."""
        start = seen.outputs[self.table.sweep]
        assert start is not None
        sweep = Sweep(start, self.table, self._range)
        seen = yield from self._engage(False)
        wrong: list[str] = []
        while (place := sweep.next_place()) is not None:
            seen = yield Move(self.table.sweep, place)
            seen, found, away_hz = yield from self._look(seen)
            sweep.seen(away_hz)
            if not found:
                continue
            seen = yield from self._engage(True)
            if not (yield from self._caught()):
                seen = yield from self._engage(False)
                continue
            outcome = yield from self._verify(seen)
            if outcome is not None:
                return outcome
            wrong.append(str(float(place)))
            seen = yield from self._engage(False)
        seen = yield Move(self.table.sweep, start)  # the next attempt begins where this one did
        span = f"{self.table.sweep_span} to either side of {float(start)!r}"
        also = f"; on a wrong tooth at {', '.join(wrong)}" if wrong else ""
        return Outcome(Ending.FAILED, f"swept {span}: nothing to believe{also}")

    def _look(self, seen: Seen) -> Generator[Step, Seen, tuple[Seen, bool, float | None]]:
        """Wait for a word of the witness that began after the move: is the lock in reach?

        Returns what was seen, whether it is, and how far from the target the witness reads.
        """
        arrived_ns, arrived_s = seen.now_ns, seen.monotonic_s
        seen = yield Wait(float(self.table.settle_s))
        while seen.monotonic_s - arrived_s < _LONGEST_LOOK_S:
            if self._lock.says(seen.now_ns) and self._lock.since(arrived_ns):
                return seen, True, None
            beat = self._beat
            if beat is not None and beat.since(arrived_ns) and beat.says(seen.now_ns):
                return seen, True, None
            away = self.verifier.coarse.from_tap_hz(self._target, seen.now_ns, arrived_ns)
            if away is not None:
                return seen, abs(away) <= float(self.table.window_hz), abs(away)
            seen = yield Wait(_LOOK_S / 2)
        return seen, False, None

    def _engage(self, on: bool) -> Generator[Step, Seen, Seen]:
        """Close or open the lock, where it has a switch."""
        engage = self.table.engage
        if engage is None:
            return (yield Wait(0.0))
        return (yield Move(engage.output, Fraction(engage.on if on else engage.off)))

    def _caught(self) -> Generator[Step, Seen, bool]:
        """Whether the lock is said to hold, by a reading from after the closing."""
        seen = yield Wait(0.0)
        closed_ns, until_s = seen.now_ns, seen.monotonic_s + float(self.table.catch_s)
        while seen.monotonic_s < until_s:
            if self._lock.since(closed_ns + NS_PER_S // 10) and self._lock.says(seen.now_ns):
                return True
            seen = yield Wait(_LOOK_S / 2)
        return False

    def _verify(self, seen: Seen) -> Verified:
        """Done, refused or failed; None: it holds, on a wrong tooth or not at all any more."""
        self.verifier.begin(seen.now_ns)
        until_s = seen.monotonic_s + float(self.table.verify_s)
        while seen.monotonic_s < until_s:
            seen = yield Wait(_LOOK_S)
            if self._lock.says(seen.now_ns) is False:
                return None
            judged = self.verifier.judged(seen.now_ns, never_lost=not self._was_lost)
            if judged is not None:
                return self._answer(judged, seen)
        text = f"held, but not stable for {self.table.stable_s} s: {self.verifier.last_reason}"
        return Outcome(Ending.FAILED, text)

    def _answer(self, judged: Judged, seen: Seen) -> Outcome | None:
        if judged.answer is Answer.WRONG:
            self.pending = f"it sits on a wrong tooth: {judged.text}"
            if self._was_lost or self.verifier.has_second(judged):
                return None
            # One channel of one wavemeter against a lock that never opened: nobody can tell.
            # Nothing was moved, so it stays armed for the day when the lock is really lost.
            self._asked_person = True
            text = f"{judged.text}, but its lock was never lost and no second witness says so"
            return Outcome(Ending.REFUSED, text)
        if judged.answer is Answer.REFUSED:
            self._asked_person = True
            self.pending = f"the evidence is ambiguous: {judged.text}"
            return Outcome(Ending.REFUSED, judged.text, (), disarm=self._was_lost)
        self._believe()
        integers = self.verifier.integers(judged, seen.now_ns)
        return Outcome(Ending.DONE, judged.text, integers)


def _levels(table: RelockTable) -> dict[str, Level]:
    keys = ("seed_power", "amplifier_off", "beam_blocked")
    tables: dict[str, LevelTable | None] = {key: getattr(table, key) for key in keys}
    return {key: Level(key, level) for key, level in tables.items() if level is not None}


def _named(table: RelockTable, *keys: str) -> tuple[str, ...]:
    return tuple(key for key in keys if getattr(table, key) is not None)


def _needs(lab: Any, table: RelockTable) -> dict[str, Level]:
    """Level witnesses of references and combs: nothing moves unless they are well."""
    found = {}
    for name in table.needs:
        witness = lab.witnesses[name]
        low, high = witness.limits
        level = LevelTable(
            channel=witness.channel,
            limits=(Decimal(repr(low)), Decimal(repr(high))),
            max_age_s=Decimal(witness.max_age_ns) / NS_PER_S,
        )
        found[f"witness {name}"] = Level(name, level)
    return found


def _touched(lab: Any, table: RelockTable) -> tuple[str, ...]:
    """Every transition of the laser that is moved."""
    laser = lab.transitions[table.transition].laser
    return tuple(t.name for t in lab.transitions.values() if t.laser == laser)


def _target_offset(lab: Any, table: RelockTable) -> float:
    """Where the target is at the tap, as an offset from the tap's nominal."""
    transition = lab.transitions[table.transition]
    beside = transition.nominal_hz - transition.target.hz
    at_tap = transition.tap_equation.coefficient(transition.base)
    at_plane = transition.equation.coefficient(transition.base)
    harmonic = at_plane / at_tap if at_tap and at_plane else Fraction(1)
    return float(-beside / harmonic)


def _cautions(table: RelockTable) -> tuple[str, ...]:
    beam = (
        "The beam is read to be blocked while it sweeps."
        if table.beam_blocked is not None
        else f"The beam is NOT blocked while it sweeps; signed: {table.beam_open}"
    )
    amplifier = {
        "none": "The lab file says that no amplifier follows this laser. An amplifier whose seed "
        "is swept or lost can destroy itself.",
        "seeded": "An amplifier follows: nothing moves unless it is read to be seeded or off.",
    }
    sweep = f"Relocking sweeps {table.sweep} by up to {table.sweep_span} to either side."
    return (sweep, beam, amplifier[table.amplifier])


def relocks_of(tables: Mapping[str, RelockTable], lab: Any) -> list[Relock]:
    """One actuator for each table."""
    return [Relock(name, table, lab) for name, table in tables.items()]
