"""The campaign's laboratory, gate by gate: what its instruments read, and what is true.

Gates are 1 s. Whoever runs it takes spans of gates in which no output moves and no lock is lost
(`CampaignLab.longest` says how long they may be): how gates are cut into spans changes nothing.
"""

from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np

from sim_instruments.campaign.draws import faults_of, hands_on_of, shots_of
from sim_instruments.campaign.kinds import LOSES_LOCK
from sim_instruments.campaign.laser import LockedLaser
from sim_instruments.campaign.outputs import HarmLog, Knob
from sim_instruments.campaign.scenario import LaserRow, Scenario
from sim_instruments.campaign.spoil import SATURATED, Marks, Spoiler
from sim_instruments.campaign.weather import HOUR, Floats, Hour, LaserHour, Weather, shares
from sim_instruments.faults import Fault
from sim_instruments.randomness import stream

COUNTERS = {"counter_a": ("L729", "L794"), "counter_b": ("L866", "L854", "L846")}
TUNE_HZ = 80_000_000
SWAPPED = ("beat_L866", "beat_L854")
STALE_DOOR, OPEN_DOOR = "interlock_stale", "interlock_open"


@dataclass
class Span:
    """Gates ``first`` to ``first + count - 1``: offsets and marks by channel, truth by laser.

    ``truth``: detuning at the atoms from the true target, Hz. A channel that is missing said
    nothing.
    """

    first: int
    count: int
    values: dict[str, Floats] = field(default_factory=dict)
    marks: dict[str, Marks] = field(default_factory=dict)
    truth: dict[str, Floats] = field(default_factory=dict)


class CampaignLab:
    """One run of a scenario. ``gate`` is the next one; ``shutter_open`` lets cooling light in."""

    def __init__(self, scenario: Scenario, days: float, seed: int) -> None:
        self.scenario, self.days, self.seed = scenario, days, seed
        self.gates = round(days * 86_400)
        self.faults = faults_of(scenario, days, seed)
        self.shots = shots_of(scenario, days, seed)
        self.hands_on = hands_on_of(scenario, days, seed)
        self.harm = HarmLog()
        self.gate = 0
        self.shutter_open = False
        self.shot_open = False
        self.hands_are_on = False
        self.weather = Weather(scenario, self.faults, seed)
        self._hour: Hour = self.weather.hour()
        self.knobs: dict[str, Knob] = {}
        self.locked = {row.name: self._locked(row) for row in scenario.lasers if row.relocks}
        self.tune = self._knob("tune", (TUNE_HZ - 10**6, TUNE_HZ + 10**6), 100, 100, TUNE_HZ)
        self._rows = {row.name: row for row in scenario.lasers}
        self._spoilers = {name: self._spoiler(name) for name in self._channels()}
        self._of: dict[str, list[Fault]] = {}
        self._sudden: list[Fault] = []
        self._lamps: dict[str, float] = {}
        self.lost: list[tuple[int, str, str, bool]] = []
        self._look_ahead()

    # time --------------------------------------------------------------------------------

    def longest(self, most: int) -> int:
        """How many gates may be taken at once: up to the hour, or one where a lock is lost."""
        last = min(self.gate + most, self._hour.first + HOUR, self.gates)
        for fault in self._sudden:
            at = int(fault.start_s)
            if at == self.gate:
                return 1
            if self.gate < at < last:
                last = at
        return last - self.gate

    def advance(self, count: int) -> Span:
        """Let ``count`` gates pass: what was read in them, and what was true."""
        first = self.gate
        span = Span(first, count)
        struck = self._strike(first)
        for laser in self.locked.values():
            if laser.row.name not in struck:
                laser.settle(first)
        here = slice(first - self._hour.first, first - self._hour.first + count)
        self._count(span, here)
        for name, row in self._rows.items():
            self._light(span, row, self._hour.lasers[name], here, struck.get(name))
        self._levels(span, here, struck)
        self._spoil(span)
        self.gate += count
        if self.gate >= self._hour.first + HOUR:
            self._hour = self.weather.hour()
            self._look_ahead()
        return span

    def _look_ahead(self) -> None:
        """Keep at hand the faults of this hour."""
        first, last = self._hour.first, self._hour.first + HOUR
        near = [f for f in self.faults if f.start_s < last and f.stop_s > first - 1]
        self._of = {"counter_b": [], "door": []}
        for fault in near:
            self._of.setdefault(fault.target, []).append(fault)
        self._sudden = [f for f in near if f.kind in (*LOSES_LOCK, "front_panel")]
        for spoiler in self._spoilers.values():
            spoiler.look_ahead(first, last)

    def is_(self, kind: str, target: str, share: float = 1.0) -> bool:
        """Whether a fault lasts at the end of the gate before the next one."""
        now = self.gate - 1e-9 * share
        return any(f.kind == kind and f.active(now) for f in self._of.get(target, ()))

    # light -------------------------------------------------------------------------------

    def _strike(self, first: int) -> dict[str, Fault]:
        """Sudden faults of this gate: lasers whose lock is lost in it."""
        lost: dict[str, Fault] = {}
        for fault in self._sudden:
            if int(fault.start_s) != first:
                continue
            laser = self.locked[fault.target]
            if fault.kind == "front_panel":
                laser.piezo.by_hand(float(laser.piezo.value) + fault.amount)
            elif laser.tooth is not None:
                lost[fault.target] = fault
        return lost

    def _light(
        self, span: Span, row: LaserRow, hour: LaserHour, here: slice, lost: Fault | None
    ) -> None:
        """Truth, beat and wavemeter of one laser."""
        laser = self.locked.get(row.name)
        light, unseen = hour.light[here], hour.unseen[here]
        count = span.count
        free = laser is not None and laser.tooth is None
        marks = np.where(hour.weak[here], SATURATED, 0).astype(np.uint8)
        if laser is None:
            light = light + float(self.tune.value - TUNE_HZ)
        place = 0.0 if laser is None else laser.offset_hz
        tap = light + unseen + place
        last = tap + hour.last[here]
        if free:
            tap = last = place + hour.walk[here]
            marks[:] = SATURATED
        elif lost is not None and laser is not None:
            share = lost.start_s - span.first
            laser.lose(lost.amount, span.first)
            self.lost.append((span.first, row.name, lost.kind, laser.within_reach))
            tap = share * tap + (1 - share) * laser.offset_hz
            last = np.full(count, laser.offset_hz)
            marks[:] = SATURATED
        beat = light + hour.counting[here]
        beat[marks != 0] = np.nan
        span.values[f"beat_{row.name}"], span.marks[f"beat_{row.name}"] = beat, marks
        span.values[f"wm_{row.name}"] = last + hour.exposure[here]
        span.truth[row.name] = row.harmonic * tap - self.weather.target_error_hz[row.name]

    def _count(self, span: Span, here: slice) -> None:
        hour = self._hour
        span.values["f_rep"] = hour.f_rep[here] + hour.f_rep_noise[here]
        span.values["f_ceo"] = hour.f_ceo_noise[here].copy()
        span.values["second_clock"] = 1e7 * (hour.second_y[here] - hour.y[here])

    # levels ------------------------------------------------------------------------------

    def _levels(self, span: Span, here: slice, struck: dict[str, Fault]) -> None:
        count = span.count
        values = span.values
        values["ref_lamp"] = self._hour.lamp[here].copy()
        values["time_error"] = self._hour.time_error_s[here].copy()
        values["tune_hz"] = np.full(count, float(self.tune.value - TUNE_HZ))
        for name, laser in self.locked.items():
            values[f"piezo_{name}_v"] = np.full(count, float(laser.piezo.value))
            values[f"switch_{name}_v"] = np.full(count, float(laser.switch.value))
            lost = struck.get(name)
            share = (
                lost.start_s - span.first if lost is not None else float(laser.tooth is not None)
            )
            values[f"lock_{name}"] = np.full(count, self._lamp(name, 0.02 + 0.98 * share))
            if laser.row.amplifier:
                values["seed"] = np.ones(count) - 0.9 * self._part(name, "seed_drop", span)
                values["beam_blocked"] = np.full(count, 0.0 if self.shutter_open else 1.0)
        values["door"] = 5.0 - 5.0 * self._part("door", OPEN_DOOR, span)
        if self.is_(STALE_DOOR, "door", -0.5e9):
            del values["door"]

    def _lamp(self, name: str, true: float) -> float:
        """The lock's lamp; one that is stuck stays as it was."""
        if not self.is_("lock_lamp_stuck", name, -0.5e9):
            self._lamps[name] = true
        return self._lamps.setdefault(name, true)

    def _part(self, target: str, kind: str, span: Span) -> Floats:
        part = np.zeros(span.count)
        for fault in self._of.get(target, ()):
            if fault.kind == kind and fault.start_s < span.first + span.count:
                part = np.maximum(part, shares(fault, span.first, span.count))
        return part

    # instruments -------------------------------------------------------------------------

    def _spoil(self, span: Span) -> None:
        self._swap(span)
        for name, values in span.values.items():
            marks = span.marks.get(name)
            if marks is None:
                marks = span.marks[name] = np.zeros(span.count, np.uint8)
            self._spoilers[name].apply(span.first, values, marks)

    def _swap(self, span: Span) -> None:
        one, two = (span.values[name] for name in SWAPPED)
        apart = float(self._rows["L854"].beat_hz - self._rows["L866"].beat_hz)
        for fault in self._of["counter_b"]:
            if fault.kind == "swapped_channels" and fault.stop_s > span.first:
                inside = shares(fault, span.first, span.count) > 0
                one[inside], two[inside] = two[inside] + apart, one[inside] - apart
                marks = [span.marks[name] for name in SWAPPED]
                marks[0][inside], marks[1][inside] = marks[1][inside], marks[0][inside].copy()

    def _spoiler(self, channel: str) -> Spoiler:
        instrument = self.instrument_of(channel)
        faults = [f for f in self.faults if f.target in (channel, instrument)]
        rng = stream(self.seed, "campaign", "spoil", channel)
        return Spoiler(channel, self.nominal_hz(channel), faults, rng)

    def nominal_hz(self, channel: str) -> float:
        """The nominal of a counted channel; 0 for a level."""
        if channel.startswith("beat_"):
            return float(self._rows[channel.removeprefix("beat_")].beat_hz)
        fixed = {"f_rep": self.scenario.f_rep_hz, "f_ceo": self.scenario.f_ceo_hz}
        return float(fixed.get(channel, 1e7 if channel == "second_clock" else 0))

    @staticmethod
    def instrument_of(channel: str) -> str:
        """Which instrument reads a channel."""
        if channel.startswith("wm_"):
            return "wavemeter"
        if channel in ("f_rep", "f_ceo", "second_clock", "time_error"):
            return "counter_a"
        for instrument, lasers in COUNTERS.items():
            if channel in [f"beat_{name}" for name in lasers]:
                return instrument
        return "synth" if channel == "tune_hz" else "analog"

    def _channels(self) -> list[str]:
        names = [f"{kind}_{row.name}" for kind in ("beat", "wm") for row in self.scenario.lasers]
        names += ["f_rep", "f_ceo", "second_clock", "time_error", "ref_lamp", "tune_hz", "door"]
        for name, laser in self.locked.items():
            names += [f"piezo_{name}_v", f"switch_{name}_v", f"lock_{name}"]
            names += ["seed", "beam_blocked"] if laser.row.amplifier else []
        return names

    # outputs -----------------------------------------------------------------------------

    def _locked(self, row: LaserRow) -> LockedLaser:
        volts = round(self.scenario.number("lock", "range_v"))
        number = self.scenario.number
        return LockedLaser(
            row,
            self._knob(f"piezo_{row.name}", (-volts, volts), Fraction(1, 2), 5, 0, row.name),
            self._knob(f"switch_{row.name}", (0, 5), 5, 100, 5, row.name),
            float(self.scenario.f_rep_hz),
            number("lock", "capture_hz"),
            number("lock", "hz_per_volt"),
        )

    def _knob(
        self,
        name: str,
        limits: tuple[int, int],
        step: int | Fraction,
        slew: int,
        value: int,
        laser: str = "",
    ) -> Knob:
        low, high = (Fraction(x) for x in limits)
        knob = Knob(name, low, high, Fraction(step), Fraction(slew), Fraction(value), self.harm)
        knob.forbidden = lambda: self.forbidden(laser)
        self.knobs[name] = knob
        return knob

    def forbidden(self, laser: str) -> list[str]:
        """What forbids a move of a laser's output at this moment, in truth."""
        why = []
        if self.shot_open:
            why.append("during a shot")
        if self.hands_are_on:
            why.append("while somebody has their hands on")
        if self.is_(OPEN_DOOR, "door"):
            why.append("while the interlock is open")
        stale = [f for f in self._of["door"] if f.kind == STALE_DOOR]
        if any(f.active(self.gate - 1e-9) and self.gate - f.start_s > 3 for f in stale):
            why.append("while the interlock is stale")
        if self.is_("holdover", "gnssdo"):
            why.append("while the reference holds over")
        row = self._rows.get(laser)
        if row is not None and row.amplifier:
            if self.is_("seed_drop", laser):
                why.append("while its amplifier was not seeded")
            if self.shutter_open:
                why.append("while its beam was open")
        return why

    def late_by(self, instrument: str, gate: int) -> int:
        """How many gates late its replies are now."""
        for fault in self._of.get(instrument, ()):
            if fault.kind == "late_reply" and fault.start_s < gate + 1 and fault.stop_s > gate:
                return round(fault.amount)
        return 0
