"""A spectrum analyser's trace, reduced to what a lock needs to know of its beat note.

Inputs: ``level`` (dBm, highest point), ``snr`` (dB per 100 kHz: that level above the noise
floor, the floor scaled from the resolution bandwidth to 100 kHz), ``frequency`` (Hz, of the
highest point), ``linewidth`` (Hz, full width 3 dB below the highest point, interpolated;
never less than the resolution bandwidth allows).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from labref.drivers.base import Fetched, InstrumentSetup, Row
from labref.drivers.dialect import Dialect, fill
from labref.drivers.numbers import number
from labref.drivers.program import BaseProgram, Metronome
from labref.drivers.scpi import ascii_text, block_values, read_block, split_values
from labref.model.errors import InputError, ReplyError
from labref.model.flags import Flag
from labref.model.times import Clock
from labref.transport.steps import Exchange, ReadLine, Send

INPUTS = {"level": "dBm", "snr": "dB", "frequency": "Hz", "linewidth": "Hz"}
_NOISE_BANDWIDTH_HZ = 100e3
_WRITTEN = int(Flag.WRITTEN)

Floats = npt.NDArray[np.float64]


class TraceProgram(BaseProgram):
    """Asks start, stop, resolution bandwidth and trace once per round."""

    def __init__(self, setup: InstrumentSetup, dialect: Dialect, clock: Clock) -> None:
        super().__init__(setup, dialect, clock)
        if dialect.block is None:
            raise InputError(f"dialect {dialect.name!r}: program 'trace' needs a table [block]")
        for name, _ in setup.inputs:
            if name not in INPUTS:
                known = ", ".join(INPUTS)
                raise InputError(f"instrument {setup.name!r}: no input {name!r}; it has: {known}")
        self._table = dialect.block
        self._axis = [dialect.input(name).query for name in ("start", "stop", "bandwidth")]
        self._metronome = Metronome(clock, self.gate_s)
        self._sweep_s = self.gate_s + setup.timeout_s

    def begin(self) -> Exchange[None]:
        """Let the first round be due at once."""
        self._metronome.restart()
        yield from ()

    def fetch(self) -> Exchange[Fetched]:
        """Read one trace and reduce it."""
        yield from self._metronome.wait()
        due = self.watch.due(self.clock.monotonic_s(), self.gate_s)
        queries = [*self._axis, *(self.watch.query(name) for name in due)]
        replies, errors = yield from self.ask.many(queries)
        self.note_settings(due, replies[3:])
        start_hz, stop_hz, bandwidth_hz = (float(number(text)[0]) for text in replies[:3])
        levels = yield from self._levels()
        beat = beat_of(levels, start_hz, stop_hz, bandwidth_hz)
        step_ns = self.host.stepped()
        common = self.watch.flags | (int(Flag.CLOCK_STEP) if step_ns else 0)
        now_ns = self.host.now_ns()
        rows = []
        for index, (name, channel) in enumerate(self.setup.inputs):
            value = beat[name]
            known = math.isfinite(value)
            offset = float(type(channel.nominal)(value) - channel.nominal) if known else math.nan
            flags = (_WRITTEN if known else _WRITTEN | int(Flag.GAP)) | common
            rows.append(Row(index, now_ns - channel.gate_ns, now_ns, offset, flags))
        return Fetched(rows, errors=errors, clock_step_ns=step_ns)

    def _levels(self) -> Exchange[Floats]:
        for line in self._table.start:
            done = yield from self.ask.one(f"{fill(line, self.values)};*OPC?", self._sweep_s)
            if done != "1":
                raise ReplyError(f"{done[:40]!r} where the end of a sweep (1) was expected")
        message = fill(self._table.fetch, self.values) or ""
        yield Send(message.encode("ascii") + self.dialect.line_end)
        if self._table.kind != "ascii":
            data = yield from read_block(terminator=self.dialect.line_end)
            return block_values(data, self._table.kind, 1, self._table.big_endian)[:, 0]
        reply = yield ReadLine(self.dialect.line_end)
        return np.array([float(number(text)[0]) for text in split_values(ascii_text(reply))])


def beat_of(
    levels_dbm: Floats, start_hz: float, stop_hz: float, bandwidth_hz: float
) -> dict[str, float]:
    """Reduce a trace of ``levels_dbm`` (n,), evenly spaced from ``start_hz`` to ``stop_hz``.

    The noise floor is the median of all points. A peak less than 10 dB above it is none: all
    values but ``level`` are then NaN. Raises ReplyError for a trace that cannot be one.
    """
    n = len(levels_dbm)
    if n < 11 or not start_hz < stop_hz or not bandwidth_hz > 0:
        raise ReplyError(f"a trace of {n} points from {start_hz} to {stop_hz} Hz is none")
    if not np.all(np.isfinite(levels_dbm)) or np.any(np.abs(levels_dbm) > 1e3):
        raise ReplyError("a trace with levels that are no levels")
    at = int(np.argmax(levels_dbm))
    level = float(levels_dbm[at])
    floor = float(np.median(levels_dbm))
    result = {"level": level, "snr": math.nan, "frequency": math.nan, "linewidth": math.nan}
    if level - floor < 10:
        return result
    step_hz = (stop_hz - start_hz) / (n - 1)
    result["snr"] = level - floor - 10 * math.log10(_NOISE_BANDWIDTH_HZ / bandwidth_hz)
    result["frequency"] = start_hz + at * step_hz
    result["linewidth"] = step_hz * (_crossing(levels_dbm[at:]) + _crossing(levels_dbm[at::-1]))
    return result


def _crossing(falling: Floats) -> float:
    """Points from the first element to 3 dB below it, interpolated; NaN if never."""
    below = np.flatnonzero(falling < falling[0] - 3.0)
    if not len(below):
        return math.nan
    k = int(below[0])
    return k - 1 + float((falling[k - 1] - falling[0] + 3.0) / (falling[k - 1] - falling[k]))
