"""A bank: the columns of all tables of one kind and gate, stored together.

Order of storing is what makes a killed writer harmless: data first, then ``flags`` with its
WRITTEN bit, then the number of rows. A reader looks at the number first and believes only rows
below it. (x86-64 keeps the order of stores; elsewhere a reader goes by the WRITTEN bit.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from labref.model.flags import Flag
from labref.model.times import NS_PER_S
from labref.model.verdict import State
from labref.trace.medium import Array, ColumnStore
from labref.trace.tables import COLUMNS, Kind

_WRITTEN = np.uint32(Flag.WRITTEN)
_STEPPED = np.uint32(Flag.CLOCK_STEP)


@dataclass(frozen=True, slots=True)
class Block:
    """``n`` rows for each of ``k`` neighbouring tables of a bank, all arrays (k, n).

    ``values`` are the columns between ``gate_ns`` and ``flags``, in the order of the schema.
    """

    slots: slice
    start_ns: Array
    gate_ns: Array
    values: tuple[Array, ...]
    flags: Array

    def __len__(self) -> int:
        return int(self.start_ns.shape[1])

    def __getitem__(self, rows: slice) -> Block:
        return Block(
            self.slots,
            self.start_ns[:, rows],
            self.gate_ns[:, rows],
            tuple(values[:, rows] for values in self.values),
            self.flags[:, rows],
        )

    def table(self, number: int) -> Block:
        """The rows of the ``number``-th table of this block alone."""
        one = slice(number, number + 1)
        slot = self.slots.start + number
        return Block(
            slice(slot, slot + 1),
            self.start_ns[one],
            self.gate_ns[one],
            tuple(values[one] for values in self.values),
            self.flags[one],
        )


class Bank:
    """The series of one kind and gate in a live segment.

    ``columns`` are the stores in the order of the schema; ``rows`` is the store of the row
    counters of all tables of the segment, ``first`` the index of this bank's first.
    """

    def __init__(
        self,
        kind: Kind,
        count: int,
        capacity: int,
        columns: Sequence[ColumnStore],
        rows: ColumnStore,
        first: int,
        origin_ns: int,
    ) -> None:
        self.kind = kind
        self.capacity = capacity
        self.filled = np.zeros(count, np.int64)
        self.last_ns = np.full(count, np.iinfo(np.int64).min)
        self._level: int | None = 0
        self._columns = list(columns)
        self._names = [column.name for column in COLUMNS[kind]]
        self._rows = rows
        self._first = first
        self._origin_ns = origin_ns

    @property
    def count(self) -> int:
        """Number of tables."""
        return len(self.filled)

    def room(self, slots: slice) -> int:
        """Rows that still fit into each of ``slots``."""
        if self._level is not None:
            return self.capacity - self._level
        return self.capacity - int(self.filled[slots].max())

    def put(self, block: Block) -> None:
        """Store a block whose times rise and that fits; after this it is acknowledged."""
        if self._level is None and len(block.start_ns) > 1:
            levels = self.filled[block.slots]
            if (levels != levels[0]).any():
                for number in range(len(levels)):
                    self._put(block.table(number), int(levels[number]))
                return
            self._put(block, int(levels[0]))
            return
        self._put(block, self._level if self._level is not None else self.row_of(block.slots))

    def row_of(self, slots: slice) -> int:
        """The row that comes next in the first of ``slots``."""
        return int(self.filled[slots.start])

    def _put(self, block: Block, row: int) -> None:
        slots, start = block.slots, block.start_ns
        columns = self._columns
        columns[0].put(slots, row, (start - self._origin_ns) / NS_PER_S)
        columns[1].put(slots, row, start)
        columns[2].put(slots, row, block.gate_ns)
        for column, values in zip(columns[3:-1], block.values, strict=True):
            column.put(slots, row, values)
        columns[-1].put(slots, row, block.flags | _WRITTEN)
        self._advance(slots, row + start.shape[1])
        self.last_ns[slots] = start[:, -1]

    def _advance(self, slots: slice, rows: int) -> None:
        self.filled[slots] = rows
        everywhere = slots.stop - slots.start == len(self.filled)
        self._level = rows if everywhere else self._common_level()
        where = slice(self._first + slots.start, self._first + slots.stop)
        self._rows.put(_ONE, where.start, self.filled[None, slots])

    def _common_level(self) -> int | None:
        first = int(self.filled[0])
        return first if bool((self.filled == first).all()) else None


_ONE = slice(0, 1)


class Records:
    """A table of records in a live segment: verdict intervals or messages.

    ``row`` counts what is stored; a record is a mapping of column name to value.
    """

    def __init__(
        self,
        kind: Kind,
        slot: int,
        capacity: int,
        columns: Sequence[ColumnStore],
        rows: ColumnStore,
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
            store.put(self._slots, self.row, np.array([[r[name] for r in records]], dtype))
        self.row += len(records)
        self._rows.put(_ONE, self._index, np.array([[self.row]], np.int64))

    def replace_last(self, **values: Any) -> None:
        """Overwrite columns of the last record (an interval that goes on)."""
        for name, value in values.items():
            store, dtype = self._columns[name]
            store.put(self._slots, self.row - 1, np.array([[value]], dtype))


def rising(block: Block, last_ns: Array, floor_ns: int) -> tuple[Block, Array]:
    """Return ``block`` with strictly increasing times, and which rows (k, n) had to move.

    ``last_ns`` (k,) are the last stored starts, ``floor_ns`` the earliest start allowed. A row
    that moved starts 1 ns after its predecessor, and is flagged CLOCK_STEP; its verdict, where
    there is one, becomes unknown.
    """
    start = block.start_ns.copy()
    low = np.maximum(last_ns, floor_ns - 1)
    for row in range(start.shape[1]):
        np.maximum(start[:, row], low + 1, out=start[:, row])
        low = start[:, row]
    moved = start != block.start_ns
    straight = Block(block.slots, start, block.gate_ns, block.values, block.flags)
    return stepped(straight, moved), moved


def stepped(block: Block, rows: Array) -> Block:
    """Return ``block`` with ``rows`` (bool (k, n)) flagged CLOCK_STEP and their states unknown."""
    flags = np.where(rows, block.flags | _STEPPED, block.flags)
    values = tuple(
        np.where(rows, np.uint8(State.UNKNOWN), column) if column.dtype == np.uint8 else column
        for column in block.values
    )
    return Block(block.slots, block.start_ns, block.gate_ns, values, flags)
