"""What a reader gets of one channel or transition: arrays over gates, and what they mean."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt

from labref.model.flags import UNUSABLE, Flag
from labref.model.readings import Bits, Floats, Ints
from labref.model.tolerance import States


@dataclass(frozen=True, slots=True)
class Span:
    """Rows of a series that share a nominal, an equation and its epoch.

    ``begin`` and ``end`` number rows; ``epoch`` and ``equation`` belong to transitions.
    """

    begin: int
    end: int
    nominal: Fraction
    epoch: int = 0
    equation: str = ""
    target: Fraction | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """``n`` gates of a channel or transition, all arrays (n,), times rising.

    ``start_ns``, ``stop_ns``: int64 UTC. ``offset``: float64 from the exact ``nominal``, in
    ``unit``. ``errors``: counting part, one sigma. ``flags``: uint32, see `Flag`. For
    transitions: ``state`` uint8, ``detuning`` (frequency minus target) and ``u_constant`` (the
    part that does not average), float64. ``spans`` say where nominal, equation or epoch changed;
    offsets are carried to the nominal of the last one. ``counts``: int64, gates of which each row
    is the mean, where block means are kept; None: every row is a gate.
    """

    name: str
    unit: str
    nominal: Fraction
    gate_ns: int
    start_ns: Ints
    stop_ns: Ints
    offset: Floats
    errors: Floats
    flags: Bits
    state: States | None
    detuning: Floats | None
    u_constant: Floats | None
    spans: tuple[Span, ...]
    attributes: Mapping[str, str | int | float]
    counts: Ints | None = None

    def __len__(self) -> int:
        return len(self.start_ns)

    @property
    def usable(self) -> npt.NDArray[np.bool_]:
        """Bool (n,): written, without any flag, and a finite offset."""
        return usable_rows(self.flags, self.offset)

    @property
    def epochs(self) -> tuple[int, ...]:
        """Epochs of the equation, in the order of time."""
        return tuple(span.epoch for span in self.spans)

    def rows(self, chosen: slice | npt.NDArray[np.bool_] | npt.NDArray[np.intp]) -> Series:
        """The chosen rows; spans are kept only where the rows are a slice from the start."""
        columns: dict[str, Any] = {
            name: None if (values := getattr(self, name)) is None else values[chosen]
            for name in (*_COLUMNS, "counts")
        }
        count = len(columns["start_ns"])
        spans = tuple(
            replace(span, begin=min(span.begin, count), end=min(span.end, count))
            for span in self.spans
        )
        return replace(self, spans=spans, **columns)


_COLUMNS = (
    "start_ns",
    "stop_ns",
    "offset",
    "errors",
    "flags",
    "state",
    "detuning",
    "u_constant",
)


def join(pieces: Sequence[Series]) -> Series:
    """Return ``pieces`` (at least one, of one name) as one series with rising times.

    Offsets are carried to the last piece's nominal: the exact difference is rounded once.
    Where the host clock was set back, rows of both passes through the same time are sorted.
    """
    if len(pieces) == 1:
        return pieces[0]
    last = pieces[-1]
    columns: dict[str, Any] = {}
    for name in _COLUMNS:
        parts = [getattr(piece, name) for piece in pieces]
        if name == "offset":
            parts = [carried(p.offset, p.nominal, last.nominal) for p in pieces]
        columns[name] = None if any(part is None for part in parts) else np.concatenate(parts)
    joined = replace(last, spans=_spans(pieces), counts=_counts(pieces), **columns)
    if bool((np.diff(joined.start_ns) < 0).any()):
        return joined.rows(np.argsort(joined.start_ns, kind="stable"))
    return joined


def _counts(pieces: Sequence[Series]) -> Ints | None:
    """Gates of each row; a piece that does not count has one in each."""
    if all(piece.counts is None for piece in pieces):
        return None
    parts = [np.ones(len(p), np.int64) if p.counts is None else p.counts for p in pieces]
    return np.concatenate(parts)


def carried(offset: Floats, nominal: Fraction, to: Fraction) -> Floats:
    """Return offsets from ``nominal`` as offsets from ``to``; the difference is rounded once."""
    return offset if nominal == to else offset + float(nominal - to)


def usable_rows(flags: Bits, offset: Floats) -> npt.NDArray[np.bool_]:
    """Bool (n,): written, without any flag, and a finite offset."""
    written = (flags & int(Flag.WRITTEN)) != 0
    usable: npt.NDArray[np.bool_] = written & ((flags & UNUSABLE) == 0) & np.isfinite(offset)
    return usable


def _spans(pieces: Sequence[Series]) -> tuple[Span, ...]:
    spans: list[Span] = []
    shift = 0
    for piece in pieces:
        for span in piece.spans:
            moved = replace(span, begin=span.begin + shift, end=span.end + shift)
            before = spans[-1] if spans else None
            if before is not None and replace(before, begin=0, end=0) == replace(
                moved, begin=0, end=0
            ):
                spans[-1] = replace(before, end=moved.end)
            else:
                spans.append(moved)
        shift += len(piece)
    return tuple(spans)
