"""A digitiser: one record of a beat's I/Q, or of an error signal.

``input = "iq:beat_866"`` records I and Q of a beat against its nominal frequency;
``input = "error:L866"`` the error signal, with the discriminator's slope (V/Hz) and the loop's
bandwidth as options ``slope_v_per_hz`` and ``loop_hz``: inside the loop the error is small
because the loop follows it, S_error = S_free |1 / (1 + f_u / (i f))|^2.
"""

import struct
from decimal import Decimal
from typing import Any

import numpy as np

from sim_instruments.instruments.bench import Bench
from sim_instruments.instruments.spectrum import fast_noise
from sim_instruments.optics.fast import Samples
from sim_instruments.optics.quantity import mean_offset
from sim_instruments.optics.signals import Beat
from sim_instruments.scpi.device import ScpiDevice
from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.tree import Call, Command, Reply, Wait, setting
from sim_instruments.scpi.values import Choice, definite_block, integer, number

MOST_POINTS = 1 << 18
DEFAULTS = {"rate": Decimal(10_000_000), "points": Decimal(4096)}


class Digitiser(ScpiDevice):
    """Records ``ACQuire:POINts`` samples at ``ACQuire:SRATe``; I/Q points are interleaved."""

    kind = "scpi_digitiser"

    def __init__(self, bench: Bench) -> None:
        self.name = bench.name
        self._bench = bench
        self._source = str(bench.row["input"])
        self._what, _, target = self._source.partition(":")
        if self._what not in ("iq", "error"):
            raise ValueError(f"{bench.name}: input must begin with iq: or error:")
        self._beat: Beat | None = None
        if self._what == "iq":
            self._beat = bench.world.beat(target)
            if self._beat is None:
                raise ValueError(f"{bench.name}: {target} is no beat")
        laser = self._beat.laser.name if self._beat is not None else target
        self._laser = bench.world.lasers[laser]
        self._noise = fast_noise(bench, laser)
        self._slope = bench.number("slope_v_per_hz", 1e-6)
        self._loop_hz = bench.number("loop_hz", 3e5)
        self._rng = bench.rng("record")
        self._values = dict(DEFAULTS)
        self._format = "REAL"
        self._end_ns: int | None = None
        self._record: Samples | None = None
        super().__init__(bench.identity("DIGITISER"), self._commands())

    def _commands(self) -> list[Command]:
        formats = (Choice(("ASCii", "REAL"), "REAL"), integer(0, 64, 64, optional=True))
        return [
            self._stored("ACQuire:SRATe", number(1000, 10**9, 10**7, "HZ"), "rate"),
            self._stored("ACQuire:POINts", integer(16, MOST_POINTS, 4096), "points"),
            Command("ACQuire:MODE", query=lambda _: self._what.upper()),
            Command("INITiate[:IMMediate]", self._initiate),
            Command("FETCh:WAVeform", query=self._fetch),
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
            self._end_ns = self._record = None
            return None

        return setting(pattern, parameter, store, lambda _: self._values[name])

    def _set_format(self, call: Call) -> Reply:
        self._format = call.values[0]
        return None

    def _initiate(self, call: Call) -> Reply:
        length_ns = int(self._values["points"] / self._values["rate"] * 10**9)
        self._end_ns = call.now_ns + max(length_ns, 1000)
        self._record = None
        return None

    def pending_until(self, now_ns: int) -> int | None:
        """End of a running record."""
        return self._end_ns if self._end_ns is not None and self._end_ns > now_ns else None

    def _fetch(self, call: Call) -> Wait:
        yield from self.wait_pending(call)
        if self._end_ns is None:
            raise ScpiError(-230)
        if self._record is None:
            self._record = self._take(self._end_ns)
        if self._format == "ASC":
            return ",".join(f"{value:.6E}" for value in self._record)
        return definite_block(struct.pack(f">{len(self._record)}d", *self._record.tolist()))

    def _take(self, end_ns: int) -> Samples:
        count, rate = int(self._values["points"]), float(self._values["rate"])
        wander = self._noise.frequency_record(count, rate, self._rng)
        if self._beat is not None:
            return self._iq(wander, count, rate, end_ns)
        spectrum = np.fft.rfft(wander)
        frequency = np.fft.rfftfreq(count, 1.0 / rate)
        spectrum *= frequency / np.hypot(frequency, self._loop_hz)
        step = self._bench.world.grid.index(end_ns)
        if not self._laser.locked(step):
            return self._rng.normal(0.0, 0.3, count)
        error = self._slope * np.fft.irfft(spectrum, count)
        return np.asarray(error + self._rng.normal(0.0, 1e-4, count), dtype=np.float64)

    def _iq(self, wander: Samples, count: int, rate: float, end_ns: int) -> Samples:
        assert self._beat is not None
        grid = self._bench.world.grid
        step = grid.index(end_ns)
        start_ns = end_ns - max(int(count / rate * 1e9), 1000)
        offset = mean_offset(self._beat, grid, start_ns, end_ns)
        phase = 2.0 * np.pi * np.cumsum(wander + offset) / rate
        amplitude = 10.0 ** ((float(self._beat.level_dbm(step, step + 1)[0]) + 5.0) / 20.0)
        samples = np.empty(2 * count)
        samples[0::2] = amplitude * np.cos(phase) + self._rng.normal(0.0, 1e-2, count)
        samples[1::2] = amplitude * np.sin(phase) + self._rng.normal(0.0, 1e-2, count)
        return samples

    def reset(self, now_ns: int) -> None:
        """``*RST``: 4096 points at 10 MHz."""
        del now_ns
        self._values = dict(DEFAULTS)
        self._format = "REAL"
        self._end_ns = self._record = None

    def factory_reset(self, now_ns: int) -> None:
        """Power cut: as ``*RST``."""
        self.power_on(now_ns)

    def describe(self) -> dict[str, object]:
        """What is at the input, and what is known of the discriminator and the loop."""
        return {
            "inputs": {"1": self._source},
            "slope_v_per_hz": self._slope,
            "loop_hz": self._loop_hz,
        }
