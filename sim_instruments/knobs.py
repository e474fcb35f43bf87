"""What a person can turn at the table while the lab runs: one line in, one line out.

    f_rep +2            the comb's repetition rate by 2 Hz from where it stands; f_rep back
    f_ceo -2e5          its offset by -200 kHz; f_ceo back
    block L866          its light goes nowhere; unblock L866
    move L866 +3e6      its frequency by 3 MHz; move L866 back
    atoms L866          scan it until the atoms answer, and stay there; move L866 back
    analyser L866       how far its beat stands above the noise, at a spectrum analyser
    loop counter_a      a 10 MHz synthesizer on the lab's reference looped into a counter
    unplug counter_a    its cable; plug counter_a
    help                these lines

A change takes effect within a step (10 ms). Nothing here is an instrument's own command.
"""

import math
from collections.abc import Callable, Mapping
from typing import TypeVar

import numpy as np

from sim_instruments.instruments.spectrum import FLOOR_DBM_HZ
from sim_instruments.lab import Lab
from sim_instruments.optics.history import History
from sim_instruments.optics.world import Transition
from sim_instruments.wire.endpoint import Endpoint

Thing = TypeVar("Thing")
BLOCKED_DB = 120.0
LOOPED_HZ = 10e6
ANALYSER_HZ = 100e3


class KnobError(ValueError):
    """There is no such knob, or it cannot be turned like that."""


class Knobs:
    """The table of one running lab."""

    def __init__(self, lab: Lab, endpoints: Mapping[str, Endpoint]) -> None:
        self._lab, self._endpoints = lab, endpoints
        self._one: dict[str, Callable[[str, int], str]] = {
            "block": self._block,
            "unblock": self._unblock,
            "atoms": self._atoms,
            "analyser": self._analyser,
            "loop": self._loop,
            "unplug": self._unplug,
            "plug": self._plug,
        }

    def turn(self, line: str, now_ns: int) -> str:
        """Do what one line says; the answer is one line, also where it cannot be done."""
        words = line.split()
        try:
            return self._turn(words, now_ns)
        except KnobError as error:
            return f"not done: {error}"

    def _turn(self, words: list[str], now_ns: int) -> str:
        match words:
            case [("f_rep" | "f_ceo") as name, by]:
                return self._set(name, self._comb_knob(name), by, now_ns)
            case ["move", laser, by]:
                return self._set(laser, self._laser(laser), by, now_ns)
            case [verb, name] if verb in self._one:
                return self._one[verb](name, now_ns)
            case _:
                lines = (__doc__ or "").split("\n\n")[1].splitlines()
                return "knobs: " + "; ".join(text.strip().split("  ")[0] for text in lines)

    def _set(self, name: str, knob: History, by: str, now_ns: int) -> str:
        if by == "back":
            knob.set(0.0, now_ns)
            return f"{name} is back"
        try:
            step = float(by)
        except ValueError:
            step = math.nan
        if not math.isfinite(step):
            raise KnobError(f"{by!r} is neither a number of Hz nor 'back'")
        knob.set(knob.now + step, now_ns)
        return f"{name} moved by {step!r} Hz, now {knob.now!r} Hz from where it was"

    def _comb_knob(self, name: str) -> History:
        comb = self._lab.world.comb
        if comb is None:
            raise KnobError("this lab has no comb")
        return comb.f_rep_by_hand if name == "f_rep" else comb.f_ceo_by_hand

    def _laser(self, name: str) -> History:
        return self._known(self._lab.world.lasers, name, "laser").by_hand

    def _block(self, name: str, now_ns: int) -> str:
        self._known(self._lab.world.lasers, name, "laser").blocked_db.set(BLOCKED_DB, now_ns)
        return f"{name} is blocked"

    def _unblock(self, name: str, now_ns: int) -> str:
        self._known(self._lab.world.lasers, name, "laser").blocked_db.set(0.0, now_ns)
        return f"{name} is unblocked"

    def _atoms(self, name: str, now_ns: int) -> str:
        """Bring the light at the atoms to their resonance, as well as a scan finds it."""
        row = self._transition(name)
        grid = self._lab.grid
        last = max(1, grid.index(now_ns))
        first = max(0, last - round(1.0 / grid.step_s))
        away = float(row.at_atoms.nominal - row.resonance)
        away += float(np.mean(row.at_atoms.offsets(first, last)))
        rng = self._lab.benches[next(iter(self._lab.benches))].rng("scan", name, last)
        away -= float(rng.normal(0.0, row.seen_to_hz / 3.0))
        knob = row.laser.by_hand
        knob.set(knob.now - away / self._harmonic(row), now_ns)
        return (
            f"the atoms answer {row.laser.name}; the line's centre is seen to {row.seen_to_hz!r} Hz"
        )

    def _harmonic(self, row: Transition) -> int:
        path = self._lab.scenario.tables["transition"][row.name].get("path", [])
        return math.prod(int(step.get("times", 1)) for step in path)

    def _transition(self, name: str) -> Transition:
        rows = self._lab.world.transitions
        own = [row for row in rows.values() if row.laser.name == name]
        if not own and name not in rows:
            lasers = sorted({row.laser.name for row in rows.values()})
            raise KnobError(f"no atoms see {name!r}; they see: {', '.join(lasers)}")
        return own[0] if own else rows[name]

    def _analyser(self, name: str, now_ns: int) -> str:
        """The beat's level over the floor of the simulated spectrum analyser, in 100 kHz."""
        world = self._lab.world
        self._known(world.lasers, name, "laser")
        found = [
            s for s in world.signals if (b := world.beat(s)) is not None and b.laser.name == name
        ]
        if not found:
            raise KnobError(f"{name!r} has no beat")
        step = self._lab.grid.index(now_ns) + 1  # what was just turned has taken effect
        level = float(world.signals[found[0]].level_dbm(step, step + 1)[0])
        above = level - (FLOOR_DBM_HZ + 10.0 * math.log10(ANALYSER_HZ))
        return f"{found[0]} stands {above:.1f} dB above the noise in {ANALYSER_HZ:.0f} Hz"

    def _loop(self, name: str, now_ns: int) -> str:
        """The counter tells the looped frequency in units of its own time base, over 1 s."""
        counter = self._lab.instruments.get(name)
        counting = getattr(counter, "counting", None)
        bench = self._lab.benches.get(name)
        reference = None if bench is None else str(bench.row.get("reference", ""))
        if counter is None or counting is None or reference not in self._lab.world.references:
            raise KnobError(f"{name!r} is no counter on a reference")
        external = getattr(counter, "external", lambda _: True)(now_ns)
        grid = self._lab.grid
        last = max(1, grid.index(now_ns))
        first = max(0, last - round(1.0 / grid.step_s))
        weights = np.full(last - first, 1.0 / (last - first))
        true = float(weights @ self._lab.world.references[reference].fractional(first, last))
        own = counting.time_base.fractional(external, first, weights)
        off_hz = LOOPED_HZ * (true - own) / (1.0 + own)
        return f"{name} reads 10 MHz, off by {off_hz:+.4f} Hz"

    def _unplug(self, name: str, now_ns: int) -> str:  # noqa: ARG002
        self._known(self._endpoints, name, "instrument").unplug()
        return f"{name} is unplugged"

    def _plug(self, name: str, now_ns: int) -> str:  # noqa: ARG002
        self._known(self._endpoints, name, "instrument").plug()
        return f"{name} is plugged in"

    @staticmethod
    def _known(things: Mapping[str, Thing], name: str, what: str) -> Thing:
        if name not in things:
            raise KnobError(f"no {what} {name!r}; there are: {', '.join(sorted(things))}")
        return things[name]
