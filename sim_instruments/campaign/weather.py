"""Everything that no output can change, drawn an hour at a time: noise, drifts, scheduled faults.

Values are means of a gate; a fault that begins or ends within a gate counts by its share of it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from sim_instruments.campaign.scenario import LaserRow, Scenario
from sim_instruments.faults import Fault
from sim_instruments.randomness import stream

HOUR = 3600  # gates
Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


@dataclass
class LaserHour:
    """One laser held on its tooth: Hz at the tap, per gate.

    ``light``: from its place; ``unseen``: what its beat does not show (whole teeth); ``last``: both
    at the gate's end, where a wavemeter's exposure lies. ``weak``: too weak to be counted.
    """

    light: Floats
    unseen: Floats
    last: Floats
    weak: Flags
    counting: Floats
    exposure: Floats
    walk: Floats


@dataclass
class Hour:
    """One hour from gate ``first``. ``y``: the reference; ``rest``: unseen move of f_ceo, Hz."""

    first: int
    y: Floats
    lamp: Floats
    time_error_s: Floats
    second_y: Floats
    f_rep: Floats
    rest: Floats
    f_rep_noise: Floats
    f_ceo_noise: Floats
    wavemeter: Floats
    lasers: dict[str, LaserHour] = field(default_factory=dict)


def shares(fault: Fault, first: int, count: int = HOUR) -> Floats:
    """What part of each gate a fault lasts, float64 (count,), 0 to 1."""
    begin = first + np.arange(count)
    inside = np.minimum(begin + 1.0, fault.stop_s) - np.maximum(begin, fault.start_s)
    return np.asarray(np.clip(inside, 0.0, 1.0), dtype=np.float64)


def _middles(first: int) -> Floats:
    return np.asarray(first + np.arange(HOUR) + 0.5, dtype=np.float64)


class Weather:
    """Draws hour after hour, in order. ``constants`` are drawn once: what the lab does not know."""

    def __init__(self, scenario: Scenario, faults: Sequence[Fault], seed: int) -> None:
        self._scenario, self._faults, self._seed = scenario, faults, seed
        rng = stream(seed, "campaign", "constants")
        u = scenario.number("reference", "u")
        wm_u = scenario.number("wavemeter", "u_hz")
        self.y0 = float(rng.normal(0.0, u))
        self.second_y = float(rng.normal(0.0, scenario.number("reference", "second_u")))
        self.target_error_hz = {
            row.name: float(rng.normal(0.0, row.target_u_hz)) for row in scenario.lasers
        }
        common = float(rng.normal(0.0, 0.8 * wm_u))
        self.wavemeter_hz = {
            row.name: common + float(rng.normal(0.0, 0.6 * wm_u)) for row in scenario.lasers
        }
        self._drift = {row.name: row.drift_hz_per_s for row in scenario.lasers}
        self._cavity = {row.name: 0.0 for row in scenario.lasers}
        self._next = 0

    def hour(self) -> Hour:
        """The next hour."""
        first = self._next
        self._next += HOUR
        rng = stream(self._seed, "campaign", "hour", first)
        near = [f for f in self._faults if f.start_s < first + HOUR and self._ends(f) > first]
        hour = self._references(first, near, rng)
        for row in self._scenario.lasers:
            hour.lasers[row.name] = self._laser(row, hour, near, rng)
        return hour

    def _ends(self, fault: Fault) -> float:
        if fault.kind != "holdover":
            return fault.stop_s
        return fault.stop_s + recovery(fault, self._recover_y)[1]

    @property
    def _recover_y(self) -> float:
        return self._scenario.number("reference", "recover_y")

    def _references(self, first: int, near: list[Fault], rng: np.random.Generator) -> Hour:
        number = self._scenario.number
        y = np.full(HOUR, self.y0)
        lamp, time_error = np.ones(HOUR), np.zeros(HOUR)
        f_rep, rest = np.zeros(HOUR), np.zeros(HOUR)
        middle = _middles(first)
        for fault in near:
            share = shares(fault, first)
            if fault.kind == "reference_step":
                y += fault.amount * share
            elif fault.kind == "holdover":
                lamp -= share
                added, error = holdover(fault, middle, self._recover_y)
                y += added
                time_error += error
            elif fault.kind == "comb_unlock":
                f_rep += fault.amount * (middle - fault.start_s) * share
            elif fault.kind == "ceo_flip":
                rest -= 2.0 * self._scenario.f_ceo_hz * share
        scatter = rng.normal(0.0, number("reference", "time_sigma_ns") * 1e-9, HOUR)
        return Hour(
            first,
            y,
            np.clip(lamp, 0.0, 1.0),
            time_error + scatter,
            self.second_y + rng.normal(0.0, 2e-12, HOUR),
            f_rep,
            rest,
            rng.normal(0.0, number("comb", "f_rep_sigma_hz"), HOUR),
            rng.normal(0.0, number("comb", "f_ceo_sigma_hz"), HOUR),
            self._calibration(first, near),
        )

    @staticmethod
    def _calibration(first: int, near: list[Fault]) -> Floats:
        """What all channels of the wavemeter read too much, beside its constants."""
        error = np.zeros(HOUR)
        middle = _middles(first)
        for fault in near:
            if fault.kind == "recalibration":
                error += fault.amount * shares(fault, first)
            elif fault.kind == "wavemeter_bias":
                error += fault.amount * fault.shape(middle, (fault.stop_s - fault.start_s) / 3)
        return error

    def _laser(
        self, row: LaserRow, hour: Hour, near: list[Fault], rng: np.random.Generator
    ) -> LaserHour:
        light = rng.normal(0.0, row.noise_hz, HOUR)
        if row.held == "cavity":
            light += self._creep(row, rng)
        common = float(row.mode) * hour.f_rep + hour.rest + self._tap_hz(row) * hour.y
        if row.held == "comb":
            light += float(row.mode) * hour.f_rep
        unseen, last = np.zeros(HOUR), np.zeros(HOUR)
        if row.held == "comb":
            unseen += hour.rest + self._tap_hz(row) * hour.y
            for fault in near:
                if fault.kind == "ceo_flip":
                    later = _at_end(fault, hour.first) - shares(fault, hour.first)
                    last -= 2.0 * self._scenario.f_ceo_hz * later
        weak = np.zeros(HOUR, bool)
        for fault in near:
            if fault.target == row.name:
                self._move(row, fault, hour.first, (light, unseen, last, weak), rng)
        counting = rng.normal(0.0, row.count_sigma_hz, HOUR)
        if row.held == "cavity":
            counting -= common  # the beat of a light that does not follow the comb shows the comb
        else:
            counting -= float(row.mode) * hour.f_rep
        sigma = self._scenario.number("wavemeter", "sigma_hz")
        exposure = rng.normal(self.wavemeter_hz[row.name], sigma, HOUR) + hour.wavemeter
        return LaserHour(light, unseen, last, weak, counting, exposure, rng.normal(0.0, 2e5, HOUR))

    def _move(
        self,
        row: LaserRow,
        fault: Fault,
        first: int,
        into: tuple[Floats, Floats, Floats, Flags],
        rng: np.random.Generator,
    ) -> None:
        """Add what one fault does to one laser: to (light, unseen, last, weak)."""
        light, unseen, last, weak = into
        middle, share = _middles(first), shares(fault, first)
        unit = row.half_width_hz / row.harmonic
        if fault.kind == "excursion":
            light += fault.amount * unit * fault.shape(middle, 1.0)
        elif fault.kind == "drift_ramp":
            light += fault.amount * unit * (middle - fault.start_s) * share
        elif fault.kind == "noisy":
            light += share * rng.normal(0.0, fault.amount * unit, HOUR)
        elif fault.kind == "tooth_jump":
            jump = round(fault.amount) * self._scenario.f_rep_hz
            unseen += jump * share
            last += jump * (_at_end(fault, first) - share)
        elif fault.kind == "power_drop":
            weak |= share > 0

    def _creep(self, row: LaserRow, rng: np.random.Generator) -> Floats:
        """A cavity: random walks of its frequency and of its drift."""
        drift = self._drift[row.name] + np.cumsum(rng.normal(0, row.drift_walk_hz_per_s, HOUR))
        steps = drift + rng.normal(0.0, row.walk_hz, HOUR)
        place = self._cavity[row.name] + np.cumsum(steps)
        self._drift[row.name], self._cavity[row.name] = float(drift[-1]), float(place[-1])
        return place

    def _tap_hz(self, row: LaserRow) -> float:
        s = self._scenario
        return float(row.mode * s.f_rep_hz + s.f_ceo_hz + row.beat_hz)


def _at_end(fault: Fault, first: int) -> Floats:
    """1 in gates at whose end a fault lasts."""
    end = first + 1.0 + np.arange(HOUR) - 0.05  # the exposure lies before the very end
    return ((fault.start_s <= end) & (end < fault.stop_s)).astype(np.float64)


def recovery(fault: Fault, recover_y: float) -> tuple[float, float]:
    """y with which a holdover's time error is steered away afterwards, and for how many s."""
    error_s = 0.5 * fault.amount * (fault.stop_s - fault.start_s) ** 2
    return (-recover_y if error_s > 0 else recover_y), abs(error_s) / recover_y


def holdover(fault: Fault, at_s: Floats, recover_y: float) -> tuple[Floats, Floats]:
    """(y, time error in s) that one holdover adds at each time."""
    lasted = np.clip(at_s - fault.start_s, 0.0, fault.stop_s - fault.start_s)
    inside = (at_s >= fault.start_s) & (at_s < fault.stop_s)
    back_y, back_s = recovery(fault, recover_y)
    after = (at_s >= fault.stop_s) & (at_s < fault.stop_s + back_s)
    error = 0.5 * fault.amount * lasted**2 + back_y * np.clip(at_s - fault.stop_s, 0.0, back_s)
    return fault.amount * lasted * inside + back_y * after, error
