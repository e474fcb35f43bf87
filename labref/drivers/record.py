"""Records: equally spaced samples of a beat (I and Q) or of an error signal, with its scales.

A record is no reading: it goes to spectra and linewidths. An error signal becomes a frequency
only with the discriminator's slope (V/Hz), and a free-running spectrum only with the loop's
transfer function; a record carries both, or says that it has none.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt

from labref.drivers.asking import Asker
from labref.drivers.dialect import Dialect, fill
from labref.drivers.numbers import number
from labref.drivers.scpi import ascii_text, block_values, read_block, split_values
from labref.model.errors import InputError, ReplyError
from labref.model.times import Clock
from labref.transport.steps import Exchange, ReadLine, Send

Samples = npt.NDArray[np.complex128] | npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """``samples``: complex128 (n,) for ``iq``, float64 (n,) for ``error`` (V), ``dt_s`` apart.

    ``start_ns`` UTC of the first one, None where the source does not say. ``slope_v_per_hz``
    turns volts into Hz; ``loop`` is the closed loop's transfer from free-running to residual
    noise: complex128 (m, 2) of frequency in Hz and value, None where it is not known.
    """

    kind: Literal["iq", "error"]
    samples: Samples
    dt_s: float
    start_ns: int | None = None
    slope_v_per_hz: float | None = None
    loop: npt.NDArray[np.complex128] | None = None

    def __post_init__(self) -> None:
        if self.dt_s <= 0 or len(self.samples) < 2:
            raise InputError("a record needs at least two samples and a positive spacing")
        if not np.all(np.isfinite(self.samples)):
            raise InputError("a record with samples that are not finite numbers")
        if (self.kind == "iq") != np.iscomplexobj(self.samples):
            raise InputError("an I/Q record is complex, an error signal is real")

    def error_hz(self) -> npt.NDArray[np.float64]:
        """Return an error signal in Hz, float64 (n,). InputError without a slope."""
        if self.kind != "error" or not self.slope_v_per_hz:
            raise InputError("an error signal needs its discriminator slope to be in Hz")
        return np.asarray(self.samples, np.float64) / self.slope_v_per_hz


def fetch_record(
    dialect: Dialect,
    kind: Literal["iq", "error"],
    clock: Clock,
    slope_v_per_hz: float | None = None,
) -> Exchange[Record]:
    """Take one record from a digitiser: set up by its dialect, started, fetched.

    Raises ReplyError where the block does not hold the announced number of samples.
    """
    if dialect.block is None:
        raise InputError(f"dialect {dialect.name!r} takes no records")
    ask = Asker(dialect)
    rate, points = (dialect.input(name).query for name in ("rate", "points"))
    texts, errors = yield from ask.many([rate, points])
    if errors:
        raise ReplyError(f"before the record: {', '.join(errors)}")
    rate_hz, count = (number(text)[0] for text in texts)
    if rate_hz <= 0 or count != int(count):
        raise ReplyError(f"{texts[0]} samples a second, {texts[1]} samples")
    for line in dialect.block.start:
        yield from ask.tell(fill(line, {}) or "")
    start_ns = clock.now_ns()
    yield Send((fill(dialect.block.fetch, {}) or "").encode("ascii") + dialect.line_end)
    if dialect.block.kind == "ascii":
        line_bytes = yield ReadLine(dialect.line_end)
        values = np.array([float(number(t)[0]) for t in split_values(ascii_text(line_bytes))])
    else:
        data = yield from read_block(1 << 24, dialect.line_end)
        values = block_values(data, dialect.block.kind, 1, dialect.block.big_endian)[:, 0]
    return record_of(values, kind, int(count), 1.0 / float(rate_hz), start_ns, slope_v_per_hz)


def record_of(
    values: npt.NDArray[np.float64],
    kind: Literal["iq", "error"],
    count: int,
    dt_s: float,
    start_ns: int | None,
    slope_v_per_hz: float | None,
) -> Record:
    """Return values as a record; I and Q are interleaved. ReplyError for a wrong number."""
    wanted = 2 * count if kind == "iq" else count
    if len(values) != wanted or not np.all(np.isfinite(values)):
        raise ReplyError(f"{len(values)} finite values where {wanted} belong")
    samples: Samples = values[0::2] + 1j * values[1::2] if kind == "iq" else values
    return Record(kind, samples, dt_s, start_ns, slope_v_per_hz)


def load_record(
    path: Path,
    kind: Literal["iq", "error"],
    dt_s: float,
    slope_v_per_hz: float | None = None,
    start_ns: int | None = None,
) -> Record:
    """Read a record from ``.npy`` or from text (one column, or I and Q). Raises InputError."""
    try:
        if path.suffix == ".npy":
            data = np.load(path, allow_pickle=False)
        else:
            delimiter = "," if "," in path.read_text("utf-8")[:4096] else None
            data = np.loadtxt(path, delimiter=delimiter, comments="#")
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: {error}") from None
    if kind == "iq" and data.ndim == 2 and data.shape[1] == 2:
        data = data[:, 0] + 1j * data[:, 1]
    if data.ndim != 1:
        raise InputError(f"{path}: an array of shape {data.shape} is no {kind} record")
    kinds = np.complex128 if kind == "iq" else np.float64
    try:
        return Record(kind, data.astype(kinds), dt_s, start_ns, slope_v_per_hz)
    except InputError as error:
        raise InputError(f"{path}: {error}") from None
