"""Steering as an actuator: watches always, moves when armed, stops by itself (rule S6).

warming up ──> one small step ──> its response compared ──> steps every `every_s`
                                        │                        │
                           wrong sign or gain: over     hold: sensor silent, not good, or
                                                        beyond 5 sigma; over: beyond it for
                                                        good, budgets spent, gain gone
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Mapping
from fractions import Fraction
from typing import Any

from labref.actuation.base import Ending, Move, Outcome, Seen, Step, Wait, Walk
from labref.actuation.policy import Budget
from labref.model.times import NS_PER_S
from labref_steer.bank import Bank, LowPass, Model, Predicted
from labref_steer.response import LEAST, MOST, Response
from labref_steer.sensor import Sample, averaged, is_well, samples
from labref_steer.table import SteerTable

MOST_REJECTED = 5  # readings in a row beyond 5 sigma: the light has jumped, or the sensor
_LOOK_S = 0.5


class Steer:
    """One steering loop. ``watch`` feeds the filters, armed or not; `predict` may be asked."""

    kind = "steering"
    patience_s = math.inf
    checks: tuple[object, ...] = ()

    def __init__(self, name: str, table: SteerTable, transitions: tuple[str, ...]) -> None:
        self.name = name
        self.table = table
        self.transitions = transitions
        self.outputs = (table.output,)
        self.after: tuple[str, ...] = ()
        self.armed_in_file = table.armed
        self.attempts = (table.attempts_per_hour, table.attempts_per_day)
        self.cautions = _cautions(table)
        self.bank = Bank(model_of(table))
        self._gain = float(table.gain)
        self._travel = Budget(float(table.per_hour), float(table.per_day))
        temperature = table.temperature
        self._low_pass = (
            None if temperature is None else LowPass(float(temperature.time_constant_s))
        )
        self._zero_k: float | None = None
        self._zero_u: Fraction | None = None
        self._u: Fraction | None = None
        self._clean_ns = 0
        self._last: Sample | None = None
        self._well = True
        self._rejected = 0
        self._moving = False
        self._armed_run = False
        self._listen: Callable[[Sample, float], None] | None = None

    # watching ----------------------------------------------------------------------------

    def watch(self, seen: Seen) -> None:
        """Feed the filters with every good gate in which the output stood still."""
        self._temperature(seen)
        self._follow_output(seen)
        well = is_well(seen, self.table.sensor)
        self._well = self._well if well is None else well
        found = samples(seen, self.table.sensor, float(self.table.sensor_sigma))
        for sample in averaged(found, float(self.table.average_s)):
            if self._u is None or self._moving or sample.start_ns < self._clean_ns:
                continue
            self._take(sample)

    def predict(self, time_ns: int) -> Predicted:
        """The sensor at ``time_ns`` with the output as it stands, its uncertainty growing."""
        time_s = time_ns / NS_PER_S
        return self.bank.predict(time_s, self._z(time_s), self._lever())

    def blocked(self, seen: Seen) -> str:
        """Hold while the sensor is silent or not believed."""
        if self._last is None:
            return f"sensor {self.table.sensor}: no good reading yet"
        if (seen.now_ns - self._last.stop_ns) / NS_PER_S > float(self.table.max_age_s):
            return f"sensor {self.table.sensor}: no good reading for {self.table.max_age_s} s"
        if not self._well:
            return f"sensor {self.table.sensor}: its last gate is not believed"
        if self._rejected:
            return f"sensor {self.table.sensor}: its last reading is beyond 5 sigma"
        return ""

    def wanted(self, seen: Seen) -> str:  # noqa: ARG002
        """Steering is wanted as soon as the filters have warmed up."""
        warm = self.bank.accepted >= self.table.warm_up and self._u is not None
        return f"follow {self.table.sensor}" if warm else ""

    def _temperature(self, seen: Seen) -> None:
        table = self.table.temperature
        readings = None if table is None else seen.readings.get(table.channel)
        if readings is None or self._low_pass is None:
            return
        for i in readings.usable.nonzero()[0]:
            kelvin = float(readings.offset[i])
            if self._zero_k is None:
                self._zero_k = kelvin
            self._low_pass.see(int(readings.stop_ns[i]) / NS_PER_S, kelvin - self._zero_k)

    def _follow_output(self, seen: Seen) -> None:
        """Where the output really stands; a gate in which somebody moved it is not used."""
        if self._moving or (self._armed_run and not seen.rehearsal):
            return
        value = seen.read_backs.get(self.table.output)
        if value is not None and value != self._u:
            self._stands_at(value, seen.now_ns)

    def _stands_at(self, value: Fraction, now_ns: int) -> None:
        self._zero_u = value if self._zero_u is None else self._zero_u
        self._u = value
        self._clean_ns = now_ns + round(float(self.table.settle_s) * NS_PER_S)

    def _take(self, sample: Sample) -> None:
        time_s = (sample.start_ns + sample.stop_ns) / 2 / NS_PER_S
        self._last = sample
        if self._listen is not None:
            self._listen(sample, time_s)
            return
        if self.bank.update(time_s, sample.hz, sample.u_hz, self._z(time_s), self._lever()):
            self._rejected = 0
            return
        self._rejected += 1
        if self._rejected > MOST_REJECTED and not self._armed_run:
            self.bank, self._rejected = Bank(model_of(self.table)), 0  # begin anew: it has jumped
            self._zero_u = self._u

    def _z(self, time_s: float) -> float:
        return 0.0 if self._low_pass is None else self._low_pass.at(time_s)

    def _lever(self) -> float:
        if self._u is None or self._zero_u is None:
            return 0.0
        return float(self._u - self._zero_u)

    # moving ------------------------------------------------------------------------------

    def attempt(self, seen: Seen) -> Walk:
        """One stretch of steering, from a first small step until something ends it."""
        self._armed_run = True
        planned = self._u if seen.rehearsal else seen.outputs[self.table.output]
        try:
            assert planned is not None
            end, planned, seen = yield from self._first_step(planned, seen)
            while end is None:
                seen = yield Wait(float(self.table.every_s))
                end = self._over()
                if end is not None or self.blocked(seen):
                    continue
                goal = self._goal(planned, seen)
                if goal == planned:
                    continue
                if not self._travel.allows(abs(float(goal - planned)), seen.monotonic_s):
                    end = Outcome(Ending.FAILED, "the budget of steps is spent", (), True)
                    continue
                seen = yield from self._step(planned, goal)
                planned = goal
            return end
        finally:
            self._armed_run, self._moving, self._listen = False, False, None

    def _first_step(
        self, planned: Fraction, seen: Seen
    ) -> Generator[Step, Seen, tuple[Outcome | None, Fraction, Seen]]:
        """Make one small step and compare its response with the prediction.

        Returns how the attempt ended (None: it goes on), where the output stands, what was seen.
        """
        towards = self._goal(planned, seen) - planned
        size = Fraction(self.table.first_step)
        goal = planned + (size if towards >= 0 else -size)
        before, lever = self.bank.copy(), self._lever()
        response = Response(before, self._gain, lever, float(goal - planned))
        heard: list[tuple[Sample, float]] = []

        def listen(sample: Sample, time_s: float) -> None:
            heard.append((sample, time_s))
            response.see(time_s, sample.hz, sample.u_hz, self._z(time_s))

        self._listen = listen
        seen = yield from self._step(planned, goal)
        if not seen.rehearsal:
            until_s = seen.monotonic_s + float(self.table.response_s)
            while not response.is_sharp and seen.monotonic_s < until_s:
                seen = yield Wait(_LOOK_S)
            if not response.is_sharp:
                text = f"the first step cannot be told from noise: {response.ratio_u:.2f} of it"
                return Outcome(Ending.FAILED, text, (), True), goal, seen
            if why := response.why_wrong():
                return Outcome(Ending.FAILED, why, (), True), goal, seen
            self.bank.know_gain(response.ratio * self._gain, response.ratio_u * abs(self._gain))
        self._listen = None
        for sample, _ in heard:
            self._take(sample)
        return None, goal, seen

    def _step(self, planned: Fraction, goal: Fraction) -> Generator[Step, Seen, Seen]:
        """One move; gates that overlap it are not used."""
        self._moving = True
        seen = yield Move(self.table.output, goal)
        self._moving = False
        self._travel.spend(abs(float(goal - planned)), seen.monotonic_s)
        if not seen.rehearsal:
            became = seen.outputs.get(self.table.output)
            self._stands_at(goal if became is None else became, seen.now_ns)
        return seen

    def _goal(self, planned: Fraction, seen: Seen) -> Fraction:
        """Where the output should stand in the middle of the time until the next step."""
        time_s = seen.now_ns / NS_PER_S + float(self.table.every_s) / 2
        gain = self.bank.gain
        light = self.bank.predict(time_s, self._z(time_s), self._lever()).hz
        # In a rehearsal the output did not move: what it would have done is added.
        assert self._u is not None
        light += gain * float(planned - self._u)
        wanted = (float(self.table.setpoint_hz) - light) / gain
        largest = float(self.table.step)
        return planned + _rounded(max(-largest, min(largest, wanted)))

    def _over(self) -> Outcome | None:
        if self._rejected > MOST_REJECTED:
            text = f"{self._rejected} readings in a row beyond 5 sigma: the light or sensor jumped"
            return Outcome(Ending.FAILED, text, (), True)
        ratio = self.bank.gain / self._gain
        if not LEAST <= ratio <= MOST:
            text = f"the gain has become {ratio:.2f} of the declared one"
            return Outcome(Ending.FAILED, text, (), True)
        return None


def _rounded(step: float) -> Fraction:
    """Nine significant digits: readable in the record, far below any noise."""
    return Fraction(f"{step:.8e}") if step else Fraction(0)


def model_of(table: SteerTable) -> Model:
    """What the lab file knows beforehand."""
    gain = float(table.gain)
    t = table.temperature
    return Model(
        walk_hz=float(table.walk_hz),
        drift_walk_hz_per_s=float(table.drift_walk_hz_per_s),
        rate_u_hz_per_s=float(table.rate_u_hz_per_s),
        curvature_u_hz_per_s2=float(table.curvature_u_hz_per_s2),
        kappa_u=0.0 if t is None else float(t.kappa_u_hz_per_k),
        gain=gain,
        gain_u=abs(gain) / 2,
    )


def _cautions(table: SteerTable) -> tuple[str, ...]:
    return (
        f"Steering moves {table.output} by up to {table.step} every {table.every_s} s, up to "
        f"{table.per_hour} an hour and {table.per_day} a day, for as long as it is armed.",
        "Its first step is small and is compared with what it should do; a wrong sign stops it "
        "after that one step.",
    )


def steers_of(tables: Mapping[str, SteerTable], lab: Any) -> list[Steer]:
    """One actuator for each table; the transitions of the laser are those it touches."""
    return [
        Steer(
            name,
            table,
            tuple(t.name for t in lab.transitions.values() if t.laser == table.laser),
        )
        for name, table in tables.items()
    ]
