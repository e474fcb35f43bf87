"""Readings: one or more consecutive gates of one channel, as arrays."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from labref.model.flags import UNUSABLE, Flag

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bits = npt.NDArray[np.uint32]

_WRITTEN = int(Flag.WRITTEN)


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """``n`` gates of one channel: a slow reading and a block of 1000 fast ones alike.

    ``start_ns``, ``stop_ns``: int64 (n,), UTC, rising. ``offset``: float64 (n,), from the
    channel's exact nominal, NaN where there is none. ``flags``: uint32 (n,), see `Flag`.
    ``errors``: float64 (n,), one sigma per gate where the source states it, else None.
    Raises ValueError when the arrays do not belong together.
    """

    channel: str
    start_ns: Ints
    stop_ns: Ints
    offset: Floats
    flags: Bits
    errors: Floats | None = None

    def __post_init__(self) -> None:
        n = len(self.start_ns)
        same = len(self.stop_ns) == n and len(self.offset) == n and len(self.flags) == n
        if not same or (self.errors is not None and len(self.errors) != n):
            raise ValueError(f"readings of {self.channel!r}: columns differ in length")

    def __len__(self) -> int:
        return len(self.start_ns)

    def __getitem__(self, rows: slice | Bits | Ints | npt.NDArray[np.bool_]) -> Readings:
        errors = None if self.errors is None else self.errors[rows]
        return Readings(
            self.channel,
            self.start_ns[rows],
            self.stop_ns[rows],
            self.offset[rows],
            self.flags[rows],
            errors,
        )

    @property
    def usable(self) -> npt.NDArray[np.bool_]:
        """Bool (n,): written, without any flag, and a finite offset."""
        written = (self.flags & int(Flag.WRITTEN)) != 0
        clean = (self.flags & UNUSABLE) == 0
        usable: npt.NDArray[np.bool_] = written & clean & np.isfinite(self.offset)
        return usable

    @property
    def ends_usable(self) -> bool:
        """Whether the last gate (there is one) is usable: the usual question, without arrays."""
        return int(self.flags[-1]) == _WRITTEN and math.isfinite(self.offset[-1])


def block(
    channel: str,
    start_ns: npt.ArrayLike,
    stop_ns: npt.ArrayLike,
    offset: npt.ArrayLike,
    flags: npt.ArrayLike = int(Flag.WRITTEN),
    errors: npt.ArrayLike | None = None,
) -> Readings:
    """Return readings from anything array-like; scalars make one gate, one flag serves all."""
    start = np.atleast_1d(np.asarray(start_ns, np.int64))
    return Readings(
        channel,
        start,
        np.atleast_1d(np.asarray(stop_ns, np.int64)),
        np.atleast_1d(np.asarray(offset, np.float64)),
        np.array(np.broadcast_to(np.asarray(flags, np.uint32), start.shape)),
        None if errors is None else np.atleast_1d(np.asarray(errors, np.float64)),
    )


def gap(channel: str, start_ns: int, stop_ns: int, reason: Flag = Flag.GAP) -> Readings:
    """Return one gate without a reading, flagged with GAP and ``reason``."""
    flags = int(Flag.WRITTEN | Flag.GAP | reason)
    return block(channel, start_ns, stop_ns, np.nan, flags)


def join(blocks: Sequence[Readings]) -> Readings:
    """Return ``blocks`` (at least one, of one channel, in time order) as one block.

    Where only some blocks state ``errors``, the others' are NaN: not stated.
    """
    if len(blocks) == 1:
        return blocks[0]
    stated = any(block.errors is not None for block in blocks)
    return Readings(
        blocks[0].channel,
        np.concatenate([block.start_ns for block in blocks]),
        np.concatenate([block.stop_ns for block in blocks]),
        np.concatenate([block.offset for block in blocks]),
        np.concatenate([block.flags for block in blocks]),
        np.concatenate([_errors(block) for block in blocks]) if stated else None,
    )


def _errors(block: Readings) -> Floats:
    return np.full(len(block), np.nan) if block.errors is None else block.errors
