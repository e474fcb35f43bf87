"""A spectrum analyser: a trace of one radio-frequency signal with its noise floor."""

import struct
from decimal import Decimal
from typing import Any

import numpy as np

from sim_instruments.instruments.bench import Bench
from sim_instruments.optics.fast import FastNoise, Samples
from sim_instruments.optics.quantity import mean_offset
from sim_instruments.scpi.device import ScpiDevice
from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.tree import Call, Command, Reply, Wait, setting
from sim_instruments.scpi.values import Boolean, Choice, definite_block, integer, number

FLOOR_DBM_HZ = -140.0
DEFAULTS = {
    "center": Decimal(60_000_000),
    "span": Decimal(20_000_000),
    "bandwidth": Decimal(100_000),
    "points": Decimal(601),
    "sweep_s": Decimal("0.05"),
}


def fast_noise(bench: Bench, laser: str | None) -> FastNoise:
    """Fast noise of a laser's table (``fast_white``, ``fast_bump``, ...)."""
    if laser is None:
        return FastNoise(white=1e-3)
    row = bench.world.laser_row(laser)
    keys = {"white": "fast_white", "bump": "fast_bump", "bump_hz": "fast_bump_hz"}
    return FastNoise(**{key: float(row[name]) for key, name in keys.items() if name in row})


class SpectrumAnalyser(ScpiDevice):
    """One input. The trace is in dBm per resolution bandwidth, from start to stop.

    A sweep takes ``SWEep:TIME``; while ``INITiate:CONTinuous`` is on, sweeps follow each other
    and ``TRACe?`` answers the last whole one; else it needs ``INITiate`` first (-230), which is
    ignored (-213) while sweeps run continuously.
    """

    kind = "scpi_spectrum"

    def __init__(self, bench: Bench) -> None:
        self.name = bench.name
        self._bench = bench
        self._source = str(bench.row["input"])
        self._signal = bench.world.signals[self._source]
        beat = bench.world.beat(self._source)
        self._noise = fast_noise(bench, None if beat is None else beat.laser.name)
        self._rng = bench.rng("trace")
        self._values = dict(DEFAULTS)
        self._format = "ASC"
        self._trace: Samples | None = None
        self._sweep_end_ns: int | None = None
        self._since_ns: int | None = None
        super().__init__(bench.identity("SPECTRUM ANALYSER"), self._commands())

    def _commands(self) -> list[Command]:
        frequency = "[SENSe]:FREQuency"
        formats = (Choice(("ASCii", "REAL"), "ASC"), integer(0, 64, 64, optional=True))
        name = (Choice(("TRACE1", "TRACE"), "TRACE1", optional=True),)
        return [
            self._stored(f"{frequency}:CENTer", number(1000, 10**9, 60_000_000, "HZ"), "center"),
            self._stored(f"{frequency}:SPAN", number(100, 10**9, 20_000_000, "HZ"), "span"),
            Command(f"{frequency}:STARt", query=lambda _: f"{self._edge(-1)}"),
            Command(f"{frequency}:STOP", query=lambda _: f"{self._edge(1)}"),
            self._stored(
                "[SENSe]:BANDwidth|BWIDth[:RESolution]", number(1, 10**7, 10**5, "HZ"), "bandwidth"
            ),
            self._stored("[SENSe]:SWEep:POINts", integer(11, 10001, 601), "points"),
            self._stored("[SENSe]:SWEep:TIME", number("0.001", 100, "0.05", "S"), "sweep_s"),
            Command("INITiate[:IMMediate]", self._initiate),
            Command(
                "INITiate:CONTinuous",
                self._run,
                lambda _: "1" if self._since_ns is not None else "0",
                (Boolean(),),
            ),
            Command("ABORt", self._abort),
            Command("TRACe[:DATA]", query=self._fetch, query_parameters=name),
            Command("CALCulate:MARKer:MAXimum", query=self._peak),
            Command(
                "FORMat[:DATA]",
                self._set_format,
                lambda _: "REAL,64" if self._format == "REAL" else "ASC,0",
                formats,
            ),
        ]

    def _stored(self, pattern: str, parameter: Any, name: str) -> Command:
        def store(_: Call, value: Any) -> Reply:
            self._values[name] = value
            self._trace = None
            return None

        return setting(pattern, parameter, store, lambda _: self._values[name])

    def _edge(self, side: int) -> Decimal:
        return self._values["center"] + side * self._values["span"] / 2

    def _set_format(self, call: Call) -> Reply:
        self._format = call.values[0]
        return None

    def _run(self, call: Call) -> Reply:
        if not call.values[0]:
            self._since_ns = None
        elif self._since_ns is None:
            self._since_ns = call.now_ns
            self._trace = self._sweep_end_ns = None
        return None

    def _abort(self, _: Call) -> Reply:
        """End the sweep; continuous sweeps begin again at once (SCPI-1999 volume 2, 24.1)."""
        self._trace = self._sweep_end_ns = None
        return None

    def _initiate(self, call: Call) -> Reply:
        if self._since_ns is not None:
            raise ScpiError(-213)
        self._trace = None
        self._sweep_end_ns = call.now_ns + int(self._values["sweep_s"] * 10**9)
        return None

    def pending_until(self, now_ns: int) -> int | None:
        """End of a running sweep."""
        end = self._sweep_end_ns
        return end if end is not None and end > now_ns else None

    def _fetch(self, call: Call) -> Wait:
        self._follow(call.now_ns)
        yield from self.wait_pending(call)
        trace = self._finished()
        if self._format == "ASC":
            return ",".join(f"{level:.3f}" for level in trace)
        return definite_block(struct.pack(f">{len(trace)}d", *trace.tolist()))

    def _peak(self, call: Call) -> Wait:
        self._follow(call.now_ns)
        yield from self.wait_pending(call)
        trace = self._finished()
        index = int(np.argmax(trace))
        return f"{self._axis()[index]:.1f},{trace[index]:.3f}"

    def _follow(self, now_ns: int) -> None:
        """While sweeps run: take the last whole one, or wait for the first."""
        if self._since_ns is None:
            return
        sweep_ns = int(self._values["sweep_s"] * 10**9)
        number = max(1, (now_ns - self._since_ns) // sweep_ns)
        end_ns = self._since_ns + number * sweep_ns
        if end_ns != self._sweep_end_ns:
            self._trace, self._sweep_end_ns = None, end_ns

    def _finished(self) -> Samples:
        if self._sweep_end_ns is None:
            raise ScpiError(-230)
        if self._trace is None:
            self._trace = self._sweep(self._sweep_end_ns)
        return self._trace

    def _axis(self) -> Samples:
        return np.linspace(float(self._edge(-1)), float(self._edge(1)), int(self._values["points"]))

    def _sweep(self, end_ns: int) -> Samples:
        start_ns = end_ns - int(self._values["sweep_s"] * 10**9)
        grid = self._bench.world.grid
        first, last = grid.span(start_ns, end_ns)
        carrier_hz = float(self._signal.nominal)
        carrier_hz += mean_offset(self._signal, grid, start_ns, end_ns)
        level = float(np.mean(self._signal.level_dbm(first, last)))
        axis, bandwidth = self._axis(), float(self._values["bandwidth"])
        inside = np.linspace(-bandwidth / 2.0, bandwidth / 2.0, 101)
        detuning = (axis - carrier_hz)[:, None] + inside[None, :]
        share = np.minimum(self._noise.line(detuning).mean(axis=1) * bandwidth, 1.0)
        power = 10.0 ** (level / 10.0) * share + 10.0 ** (FLOOR_DBM_HZ / 10.0) * bandwidth
        # A power detector without averaging shows exponentially distributed noise; ten
        # averages are common practice, no source.
        power = power * self._rng.gamma(10.0, 0.1, len(power))
        return np.asarray(10.0 * np.log10(power), dtype=np.float64)

    def reset(self, now_ns: int) -> None:
        """``*RST``: 50 to 70 MHz, 100 kHz, 601 points."""
        del now_ns
        self._values = dict(DEFAULTS)
        self._format = "ASC"
        self._trace = self._sweep_end_ns = self._since_ns = None

    def factory_reset(self, now_ns: int) -> None:
        """Power cut: as ``*RST``."""
        self.power_on(now_ns)

    def describe(self) -> dict[str, object]:
        """What is at the input."""
        return {"inputs": {"1": self._source}}
