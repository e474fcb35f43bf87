"""Builds the optical world of a scenario: references, comb, lasers, signals, paths."""

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from sim_instruments.faults import FaultList
from sim_instruments.optics.cached import CachedSignal
from sim_instruments.optics.calibration import Calibration, HeldByWavemeter
from sim_instruments.optics.cavity import Anchor
from sim_instruments.optics.comb import Comb, OpticalComb, RfComb, nearest_mode, tooth
from sim_instruments.optics.grid import Grid
from sim_instruments.optics.laser import Laser
from sim_instruments.optics.lock import Lock, LockSettings
from sim_instruments.optics.powerlaw import PowerLaw
from sim_instruments.optics.quantity import Quantity, Signal, combine
from sim_instruments.optics.references import Reference, Synthesised
from sim_instruments.optics.signals import Beat, Tap, mixed_harmonic
from sim_instruments.optics.source import RfOutput, Word
from sim_instruments.optics.voltage import Push, VoltageOutput
from sim_instruments.randomness import stream

Table = Mapping[str, Any]


@dataclass
class Transition:
    """Light at the atoms: where it should be, and where it is.

    ``resonance``: where the atoms answer, Hz, and ``seen_to_hz`` how well a scan finds it.
    """

    name: str
    line: Fraction
    target: Fraction
    laser: Laser
    at_atoms: Quantity
    resonance: Fraction
    seen_to_hz: float


class World:
    """Everything that has a frequency. Built once; asked for steps as time passes.

    Attributes: ``references``, ``anchors``, ``outputs`` (``"synth.1"``), ``voltages``,
    ``calibrations``, ``lasers``,
    ``signals``, ``transitions`` by name; ``comb`` or None.
    """

    def __init__(self, tables: Table, grid: Grid, faults: FaultList, seed: int) -> None:
        self.grid = grid
        self.faults = faults
        self.seed = seed
        self._tables = tables
        self.references = {
            name: Reference(name, grid, power_law(row), _float(row, "offset"), faults, seed)
            for name, row in tables.get("reference", {}).items()
        }
        self.anchors = {
            name: _anchor(name, row, grid, seed)
            for table in ("cavity", "line")
            for name, row in tables.get(table, {}).items()
        }
        self.outputs = self._outputs()
        self.voltages = self._voltages()
        self.calibrations = {
            name: self._calibration(name, row)
            for name, row in tables.get("instrument", {}).items()
            if "lasers" in row
        }
        self.comb: Comb | None = None
        self.lasers: dict[str, Laser] = {}
        self._build_light()
        self.signals = {
            name: CachedSignal(self._signal(name, row))
            for name, row in tables.get("signal", {}).items()
        }
        self.transitions = {name: self._transition(name) for name in tables.get("transition", {})}

    def _outputs(self) -> dict[str, RfOutput]:
        outputs: dict[str, RfOutput] = {}
        for name, row in self._tables.get("instrument", {}).items():
            word = Word(int(row.get("dds_bits", 48)), int(row.get("dds_clock_hz", 10**9)))
            for index, hz in enumerate(row.get("outputs_hz", ()), start=1):
                clock = self.references[row["reference"]]
                outputs[f"{name}.{index}"] = RfOutput(Fraction(hz), self.grid, word, clock)
        return outputs

    def beat(self, name: str) -> Beat | None:
        """The beat behind a signal, None when it is something else."""
        source = self.signals[name].source
        return source if isinstance(source, Beat) else None

    def laser_row(self, name: str) -> Table:
        """The scenario's table of a laser."""
        row: Table = self._tables["laser"][name]
        return row

    def _voltages(self) -> dict[str, VoltageOutput]:
        return {
            f"{name}.{index}": VoltageOutput(self.grid, float(volts))
            for name, row in self._tables.get("instrument", {}).items()
            for index, volts in enumerate(row.get("outputs_v", ()), start=1)
        }

    def _calibration(self, name: str, row: Table) -> Calibration:
        accuracy = _float(row, "accuracy_hz", 5e6)
        drift = _float(row, "drift_hm2", accuracy**2 * 1e-7)
        return Calibration(name, self.grid, self.seed, accuracy, drift, self.faults)

    def _build_light(self) -> None:
        """Lasers that hold the comb first, then the comb, then lasers held by the comb."""
        row = self._tables.get("comb")
        lasers = self._tables.get("laser", {})
        first = [row["laser"]] if row and row.get("lock") == "optical" else []
        for name in first:
            self.lasers[name] = self._laser(name, lasers[name])
        if row:
            self.comb = self._comb(row)
        for name, laser_row in lasers.items():
            if name not in self.lasers:
                self.lasers[name] = self._laser(name, laser_row)

    def _comb(self, row: Table) -> Comb:
        f_rep, f_ceo = Fraction(row["f_rep_hz"]), Fraction(row["f_ceo_hz"])
        sign = int(row.get("ceo_sign", 1))
        reference = self.references[row["reference"]]
        if row["lock"] == "rf":
            residual = _float(row, "residual_h2", 1e-13)
            return RfComb(f_rep, f_ceo, sign, reference, self.grid, self.seed, residual)
        laser = self.lasers[row["laser"]]
        mode = int(row["mode"])
        beat = (int(row.get("beat_sign", 1)), Fraction(row["beat_hz"]))
        return OpticalComb(laser, mode, f_ceo, sign, beat, reference, self.grid, self.seed)

    def _laser(self, name: str, row: Table) -> Laser:
        nominal = self._laser_nominal(row)
        anchor = self._anchor_of(name, nominal, row)
        losses = self.faults.of(name, "unlock")
        lock_row = row.get("lock", {})
        keys = ("capture_hz", "spacing_hz", "hop_free_hz", "mode_hz", "hz_per_volt")
        settings = LockSettings(**{key: float(lock_row[key]) for key in keys if key in lock_row})
        piezo = self.voltages.get(str(lock_row.get("piezo")))
        enable = self.voltages.get(str(lock_row.get("enable")))
        rng = stream(self.seed, "lock", name)
        lock = Lock(self.grid, settings, losses, rng, piezo, enable) if losses else None
        laser = Laser(
            name,
            nominal,
            self.grid,
            self.seed,
            self.faults,
            anchor,
            power_law(row),
            lock,
            self.comb.f_rep if self.comb else None,
        )
        if "steered_by" in row:
            output = self.voltages[str(row["steered_by"])]
            laser.steering = Push(output, _float(row, "hz_per_volt", 1e6))
        return laser

    def _anchor_of(self, name: str, nominal: Fraction, row: Table) -> Any:
        hold = str(row.get("hold", "free"))
        if hold == "free":
            return None
        if hold == "comb" and self.comb is not None:
            return self._comb_anchor(nominal, Fraction(row["beat_hz"]))
        if hold in self.calibrations:
            return HeldByWavemeter(nominal, self.calibrations[hold])
        if hold not in self.anchors:
            raise ValueError(f"laser {name}: nothing called {hold!r} to hold it")
        return self.anchors[hold]

    def _comb_anchor(self, nominal: Fraction, beat_hz: Fraction) -> Quantity:
        assert self.comb is not None
        reference = self.references[self._tables["comb"]["reference"]]
        mode = nearest_mode(self.comb, nominal)
        held = tooth(self.comb, mode)
        sign = 1 if nominal >= held.nominal else -1
        return combine([(1, held), (sign, Synthesised(beat_hz, reference))])

    def _laser_nominal(self, row: Table) -> Fraction:
        """Given, or such that the light at the atoms is on its target."""
        if "nominal_hz" in row:
            return Fraction(row["nominal_hz"])
        transition = self._tables["transition"][str(row["transition"])]
        nominal = target_of(transition)
        for step in reversed(transition.get("path", [])):
            if "times" in step:
                nominal /= int(step["times"])
            else:
                nominal -= self._aom_factor(step) * self.outputs[step["aom"]].nominal
        return nominal

    @staticmethod
    def _aom_factor(step: Table) -> int:
        return int(step.get("order", 1)) * int(step.get("passes", 1))

    def _transition(self, name: str) -> Transition:
        row = self._tables["transition"][name]
        laser = self.lasers[row["laser"]]
        light: Quantity = laser
        for step in row.get("path", []):
            if "times" in step:
                light = combine([(int(step["times"]), light)])
            else:
                shift = self.outputs[step["aom"]]
                light = combine([(1, light), (self._aom_factor(step), shift)])
        line = Fraction(row["line_hz"])
        resonance = line + Fraction(row.get("resonance_offset_hz", 0))
        seen_to_hz = _float(row, "seen_to_hz", 1e5)
        return Transition(name, line, target_of(row), laser, light, resonance, seen_to_hz)

    def _signal(self, name: str, row: Table) -> Signal:
        kind = row["kind"]
        level = _float(row, "level_dbm", -5.0)
        if kind == "output":
            return Tap(self.outputs[row["output"]], level)
        if kind == "fixed":
            reference = self.references[row["reference"]]
            return Tap(Synthesised(Fraction(row["hz"]), reference), level)
        if self.comb is None:
            raise ValueError(f"signal {name}: kind {kind!r} needs a comb")
        if kind == "f_ceo":
            return Tap(self.comb.f_ceo, level)
        if kind == "f_rep":
            return Tap(combine([(int(row.get("harmonic", 1)), self.comb.f_rep)]), level)
        if kind == "harmonic":
            lo = Synthesised(Fraction(row["lo_hz"]), self.references[row["reference"]])
            return mixed_harmonic(self.comb, int(row["harmonic"]), lo, level)
        if kind == "beat":
            low, high = row.get("band_hz", (2_000_000, int(self.comb.f_rep.nominal / 2) - 10**6))
            return Beat(self.lasers[row["laser"]], self.comb, (float(low), float(high)), level)
        raise ValueError(f"signal {name}: unknown kind {kind!r}")


def target_of(row: Table) -> Fraction:
    """Line plus intended offset, Hz."""
    return Fraction(row["line_hz"]) + Fraction(row.get("target_offset_hz", 0))


def power_law(row: Table) -> PowerLaw:
    """Noise coefficients of a table."""
    keys = ("h2", "h1", "h0", "hm1", "hm2", "drift_per_s")
    return PowerLaw(**{key: float(row[key]) for key in keys if key in row})


def _anchor(name: str, row: Table, grid: Grid, seed: int) -> Anchor:
    return Anchor(
        name,
        grid,
        power_law(row),
        seed,
        _float(row, "offset"),
        _float(row, "swing"),
        _float(row, "period_s", 1200.0),
    )


def _float(row: Table, key: str, default: float = 0.0) -> float:
    return float(row.get(key, default))
