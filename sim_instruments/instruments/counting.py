"""How a frequency counter counts: time base, jitter, cycle slips, and what fools it.

A counter tells the frequency in units of its own time base, f / (1 + y). Its edges jitter by
``jitter_s``; a Pi counter sees sqrt(2) of that over the gate, Lambda and Omega counters
average edges (Rubiola, RSI 76, 054703 (2005); arXiv:1506.05009). Slipped cycles come more
often as the signal-to-noise ratio falls; below 6 dB there is no reading.
"""

import math
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

import numpy as np

from sim_instruments.faults import Fault
from sim_instruments.instruments.bench import Bench
from sim_instruments.optics.grid import Steps
from sim_instruments.optics.powerlaw import PowerLaw
from sim_instruments.optics.quantity import Signal, decimal_hz
from sim_instruments.optics.references import Reference

NO_READING = "9.91E37"
OVERFLOW = "9.9E37"
FLOOR_DBM = -50.0
LOWEST_SNR_DB = 6.0
EDGES_PER_S = 1e6
FOOLED = (
    "nan", "overflow", "cycle_slips", "saturated", "spur", "lo_counted", "too_good",
    "swapped_channels", "stuck",
)  # fmt: skip


@dataclass(frozen=True)
class Gate:
    """One gate: its index since arming, start and stop (ns UTC), weighting."""

    index: int
    start_ns: int
    stop_ns: int
    weighting: str

    @property
    def length_s(self) -> float:
        """Length, s."""
        return (self.stop_ns - self.start_ns) * 1e-9


class TimeBase:
    """The oscillator a counter counts with: external reference, or its own."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._external = bench.world.references.get(str(bench.row.get("reference", "")))
        spread = bench.number("internal_y", 2e-7)
        offset = float(bench.rng("own time base").normal(0.0, spread))
        law = PowerLaw(h0=1e-22, hm1=1e-23)
        self._own = Reference(
            f"{bench.name}/own", bench.world.grid, law, offset, bench.faults, bench.world.seed
        )

    def present(self, now_ns: int) -> bool:
        """True when there is a signal at the reference input."""
        lost = self._bench.fault(now_ns, "reference_lost")
        return self._external is not None and lost is None

    def fractional(self, external: bool, first: int, weights: Steps) -> float:
        """Mean y over the steps of a gate."""
        source = self._external if external and self._external is not None else self._own
        return float(weights @ source.fractional(first, first + len(weights)))


class Counting:
    """The inputs of one counter; turns gates into texts of readings."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        names = [str(name) for name in bench.row["inputs"]]
        self.names = names
        self._signals: list[Signal] = [bench.world.signals[name] for name in names]
        self._jitter_s = bench.number("jitter_s", 1e-11)
        self._rngs = [bench.rng("input", index) for index in range(len(names))]
        self._edges: dict[int, tuple[int, float]] = {}
        self._last: dict[int, str] = {}
        no_gate = Gate(-1, 0, 1, "PI")
        self._last_window: tuple[Gate, bool, tuple[int, Steps, float]] = (
            no_gate,
            True,
            (0, np.ones(1), 0.0),
        )
        self.time_base = TimeBase(bench)

    def level_dbm(self, channel: int, now_ns: int) -> float:
        """Level at an input (numbered from 1), dBm."""
        step = self._bench.world.grid.index(now_ns)
        level = float(self._signals[channel - 1].level_dbm(step, step + 1)[0])
        saturated = self._bench.fault(now_ns, "saturated")
        return level if saturated is None else saturated.amount

    def read(self, channel: int, gate: Gate, external: bool) -> str:
        """Text of one reading, in Hz; special numbers for none and for overflow."""
        fault = self._bench.fault((gate.start_ns + gate.stop_ns) // 2, *FOOLED)
        if fault is not None and int(fault.options.get("channel", channel)) != channel:
            fault = None
        if fault is not None and fault.kind == "swapped_channels":
            channel = _swapped(channel, fault)
        text = self._special(channel, fault) or self._count(channel, gate, external, fault)
        self._last[channel] = text
        return text

    def _special(self, channel: int, fault: Fault | None) -> str | None:
        if fault is None:
            return None
        if fault.kind == "nan":
            return NO_READING
        if fault.kind == "overflow":
            return OVERFLOW
        if fault.kind in ("too_good", "stuck"):
            return self._last.get(channel)
        return None

    def _count(self, channel: int, gate: Gate, external: bool, fault: Fault | None) -> str:
        signal = self._signals[channel - 1]
        rng = self._rngs[channel - 1]
        first, weights, y = self._window(gate, external)
        snr_db = float(signal.level_dbm(first, first + len(weights)).min()) - FLOOR_DBM
        nominal = signal.nominal
        if fault is not None and fault.kind in ("spur", "lo_counted"):
            nominal, offset, snr_db = Fraction(fault.amount), 0.0, 40.0
        elif snr_db < LOWEST_SNR_DB:
            return NO_READING
        else:
            offset = float(weights @ signal.offsets(first, first + len(weights)))
        if fault is not None and fault.kind == "saturated":
            nominal, offset = 2 * nominal, 2.0 * offset + float(rng.normal(0.0, 1e4))
        nominal_hz = float(nominal)
        frequency = nominal_hz + offset
        offset = (offset - nominal_hz * y) / (1.0 + y)
        offset += self._edge_noise(channel, gate, frequency)
        offset += self._slips(gate, snr_db, fault, rng)
        places = self.places(frequency, gate.length_s, gate.weighting)
        return decimal_hz(nominal, offset, places)

    def _window(self, gate: Gate, external: bool) -> tuple[int, Steps, float]:
        """First step, weights and mean y of the time base: the same for all inputs."""
        if self._last_window[0] is not gate or self._last_window[1] is not external:
            grid = self._bench.world.grid
            first, weights = grid.weights(gate.start_ns, gate.stop_ns, gate.weighting)
            y = self.time_base.fractional(external, first, weights)
            self._last_window = (gate, external, (first, weights, y))
        return self._last_window[2]

    def spread_hz(self, frequency_hz: float, gate_s: float, weighting: str) -> float:
        """Standard deviation of a reading from the jitter of the edges, Hz."""
        one_edge = abs(frequency_hz) * self._jitter_s / gate_s
        if weighting == "PI":
            return one_edge * math.sqrt(2.0)
        edges = max(4.0, min(frequency_hz, EDGES_PER_S) * gate_s)
        return one_edge * (4.0 if weighting == "LAMB" else math.sqrt(12.0)) / math.sqrt(edges)

    def places(self, frequency_hz: float, gate_s: float, weighting: str) -> int:
        """Decimals shown: one beyond the resolution that the jitter leaves."""
        resolution_hz = self.spread_hz(frequency_hz, gate_s, weighting)
        return min(12, max(0, 1 - math.floor(math.log10(max(resolution_hz, 1e-12)))))

    def _edge_noise(self, channel: int, gate: Gate, frequency: float) -> float:
        rng = self._rngs[channel - 1]
        if gate.weighting != "PI":
            spread = self.spread_hz(frequency, gate.length_s, gate.weighting)
            return float(rng.normal(0.0, spread))
        known = self._edges.get(channel)
        opening = (
            known[1]
            if known is not None and known[0] == gate.start_ns
            else float(rng.normal(0.0, self._jitter_s))
        )
        closing = float(rng.normal(0.0, self._jitter_s))
        self._edges[channel] = (gate.stop_ns, closing)
        return frequency * (closing - opening) / gate.length_s

    def _slips(
        self, gate: Gate, snr_db: float, fault: Fault | None, rng: np.random.Generator
    ) -> float:
        rate = 1e5 * math.exp(-(10.0 ** (snr_db / 10.0))) if snr_db < 20.0 else 0.0
        if fault is not None and fault.kind == "cycle_slips":
            rate += fault.amount
        count = int(rng.poisson(rate * gate.length_s)) if rate > 1e-12 else 0
        total = 0.0
        for _ in range(min(count, 1000)):
            total += _slip_weight(float(rng.uniform()), gate.weighting) / gate.length_s
        return -total


def _slip_weight(u: float, weighting: str) -> float:
    """Weight, times the gate, of a cycle lost at the fraction u of the gate."""
    if weighting == "LAMB":
        return 4.0 * min(u, 1.0 - u)
    if weighting == "OMEG":
        return 6.0 * u * (1.0 - u)
    return 1.0


def _swapped(channel: int, fault: Fault) -> int:
    a, b = int(fault.options.get("a", 1)), int(fault.options.get("b", 2))
    return {a: b, b: a}.get(channel, channel)


def as_decimal(text: str) -> Decimal:
    """A reading's text as an exact number."""
    return Decimal(text)
