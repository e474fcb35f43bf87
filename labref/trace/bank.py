"""A bank: the columns of all tables of one kind and gate, stored together.

Order of storing is what makes a killed writer harmless: data first, then ``flags`` with its
WRITTEN bit, then the number of rows. A reader looks at the number first and believes only rows
below it. (x86-64 keeps the order of stores; elsewhere a reader goes by the WRITTEN bit.)
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from labref.model.flags import Flag
from labref.model.times import NS_PER_S
from labref.model.verdict import State
from labref.trace.medium import Array, Counters, Plane
from labref.trace.tables import COLUMNS, Kind

_WRITTEN = np.uint32(Flag.WRITTEN)
_STEPPED = np.uint32(Flag.CLOCK_STEP)
_NEVER = -(2**63)
_NS_PER_S = np.float64(NS_PER_S)


class Block:
    """``n`` rows for each of ``k`` neighbouring tables of a bank.

    ``words`` (c, k, n) holds all columns of eight bytes in the order of the schema: as int64
    start and gate in ns, and behind them as float64 (`floats`) room for the time axis and the
    other columns. ``state`` uint8 (k, n) for transitions, ``flags`` uint32 (k, n).
    """

    __slots__ = ("flags", "slots", "state", "words")

    def __init__(self, slots: slice, words: Array, state: Array | None, flags: Array) -> None:
        self.slots = slots
        self.words = words
        self.state = state
        self.flags = flags

    def __len__(self) -> int:
        return int(self.words.shape[2])

    def __getitem__(self, rows: slice) -> Block:
        return self._part(self.slots, (slice(None), rows))

    def table(self, number: int) -> Block:
        """The rows of the ``number``-th table of this block alone."""
        slot = self.slots.start + number
        return self._part(slice(slot, slot + 1), (slice(number, number + 1), slice(None)))

    @property
    def start_ns(self) -> Array:
        """Gate starts, int64 (k, n)."""
        start: Array = self.words[0]
        return start

    @property
    def floats(self) -> Array:
        """Time axis and the other columns, float64 (c - 2, k, n), the same memory."""
        return self.words[2:].view(np.float64)

    def _part(self, slots: slice, chosen: tuple[slice, slice]) -> Block:
        state = None if self.state is None else self.state[chosen]
        return Block(slots, self.words[(slice(None), *chosen)], state, self.flags[chosen])


class Bank:
    """The series of one kind and gate in a live segment.

    ``planes`` store words, perhaps state, and flags; ``rows`` is the store of the row
    counters of all tables of the segment, ``first`` the index of this bank's first.
    """

    def __init__(
        self,
        count: int,
        capacity: int,
        planes: Sequence[Plane],
        rows: Counters,
        first: int,
        origin_ns: int,
    ) -> None:
        self.count = count
        self.capacity = capacity
        self.newest_ns = _NEVER
        self._level: int | None = 0
        self._levels = np.zeros(count, np.int64)
        self._last: Array | None = None
        self._lasts = np.full(count, _NEVER)
        self._words = planes[0]
        self._state = planes[1] if len(planes) > 2 else None
        self._flags = planes[-1]
        self._rows = rows
        self._first = first
        self._origin_ns = np.int64(origin_ns)

    @property
    def filled(self) -> Array:
        """Rows stored in each table, int64 (count,), as a copy."""
        if self._level is not None:
            return np.full(self.count, self._level, np.int64)
        return self._levels.copy()

    @property
    def last_ns(self) -> Array:
        """Start of the last row of each table, int64 (count,); the smallest integer for none."""
        if self._last is not None:
            self._lasts[:] = self._last
            self._last = None
        return self._lasts

    def room(self, slots: slice) -> int:
        """Rows that still fit into each of ``slots``."""
        if self._level is not None:
            return self.capacity - self._level
        return self.capacity - int(self._levels[slots].max())

    def put(self, block: Block) -> None:
        """Store a block whose times rise and that fits; after this it is acknowledged."""
        level = self._level
        if level is None:
            levels = self._levels[block.slots]
            if (levels != levels[0]).any():
                for number in range(len(levels)):
                    self._put(block.table(number), int(levels[number]))
                return
            level = int(levels[0])
        self._put(block, level)

    def _put(self, block: Block, row: int) -> None:
        slots, words = block.slots, block.words
        start = words[0]
        words[2] = ((start - self._origin_ns) / _NS_PER_S).view(np.int64)
        self._words.put(slots, row, words)
        if self._state is not None and block.state is not None:
            self._state.put(slots, row, block.state[None])
        self._flags.put(slots, row, (block.flags | _WRITTEN)[None])
        self._advance(slots, row + start.shape[1], start[:, -1])

    def _advance(self, slots: slice, rows: int, last_ns: Array) -> None:
        newest = max(last_ns.tolist())
        if newest > self.newest_ns:
            self.newest_ns = newest
        if slots.stop - slots.start == self.count:
            self._last, self._level = last_ns, rows
        else:
            self.last_ns[slots] = last_ns
            levels = self.filled
            levels[slots] = rows
            first = int(levels[0])
            self._levels, self._level = levels, first if bool((levels == first).all()) else None
        self._rows.set(self._first + slots.start, self._first + slots.stop, rows)


class Records:
    """A table of records in a live segment: verdict intervals or messages.

    ``row`` counts what is stored; a record is a mapping of column name to value.
    """

    def __init__(
        self,
        kind: Kind,
        slot: int,
        capacity: int,
        columns: Sequence[Plane],
        rows: Counters,
        first: int,
    ) -> None:
        self.capacity = capacity
        self.row = 0
        self._slots = slice(slot, slot + 1)
        self._columns = {
            column.name: (store, np.dtype(column.dtype))
            for column, store in zip(COLUMNS[kind], columns, strict=True)
        }
        self._rows = rows
        self._index = first + slot

    @property
    def room(self) -> int:
        """Records that still fit."""
        return self.capacity - self.row

    def append(self, records: Sequence[dict[str, Any]]) -> None:
        """Store ``records`` behind the others; there must be room."""
        for name, (store, dtype) in self._columns.items():
            store.put(self._slots, self.row, np.array([[[r[name] for r in records]]], dtype))
        self.row += len(records)
        self._rows.set(self._index, self._index + 1, self.row)

    def replace_last(self, **values: Any) -> None:
        """Overwrite columns of the last record (an interval that goes on)."""
        for name, value in values.items():
            store, dtype = self._columns[name]
            store.put(self._slots, self.row - 1, np.array([[[value]]], dtype))


def rising(block: Block, last_ns: Array, floor_ns: int) -> tuple[Block, Array]:
    """Return ``block`` with strictly increasing times, and which rows (k, n) had to move.

    ``last_ns`` (k,) are the last stored starts, ``floor_ns`` the earliest start allowed. A row
    that moved starts 1 ns after its predecessor, and is flagged CLOCK_STEP; its verdict, where
    there is one, becomes unknown.
    """
    words = block.words.copy()
    start = words[0]
    low = np.maximum(last_ns, floor_ns - 1)
    for row in range(start.shape[1]):
        np.maximum(start[:, row], low + 1, out=start[:, row])
        low = start[:, row]
    moved = start != block.words[0]
    return stepped(Block(block.slots, words, block.state, block.flags), moved), moved


def stepped(block: Block, rows: Array) -> Block:
    """Return ``block`` with ``rows`` (bool (k, n)) flagged CLOCK_STEP and their states unknown."""
    state = block.state
    if state is not None:
        state = np.where(rows, np.uint8(State.UNKNOWN), state)
    flags = np.where(rows, block.flags | _STEPPED, block.flags)
    return Block(block.slots, block.words, state, flags)
