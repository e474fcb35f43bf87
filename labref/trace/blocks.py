"""From readings and frequencies to blocks of a bank: one matrix per column.

Series of which block means are kept are averaged here, on their way into the trace, and nowhere
else: everybody upstream sees every gate.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from labref.model.errors import TraceError
from labref.model.exact import from_text
from labref.model.readings import Readings
from labref.model.verdict import Frequencies
from labref.trace.bank import Block
from labref.trace.create import plan_segment
from labref.trace.layout import TraceLayout, TransitionColumn
from labref.trace.means import Averager, Gates, gates_of, judged_gates
from labref.trace.medium import Array
from labref.trace.tables import CHANNELS, TRANSITIONS

Result = tuple[Frequencies, Array]
Pending = list[tuple[int, Block]]


@dataclass(frozen=True, slots=True)
class _Group:
    """Members of a pass that belong to one bank, by number, and their slots.

    ``is_whole``: they are all tables of the bank, in its order.
    """

    bank: int
    numbers: list[int]
    slots: list[int]
    is_whole: bool


class Sorter:
    """Sorts what a pass delivers into blocks of the banks of a layout.

    Passes mostly look alike, so the grouping of the last pass is kept.
    """

    def __init__(self, layout: TraceLayout) -> None:
        self._channels: dict[str, tuple[int, int]] = {}
        self._transitions: dict[str, tuple[int, int]] = {}
        self._counts: list[int] = []
        self._columns = {column.name: column for column in layout.transitions}
        self._nominals = {column.name: {str(column.nominal)} for column in layout.transitions}
        self._last: dict[str, tuple[list[str], list[_Group]]] = {}
        self._averagers = {c.name: Averager(c) for c in layout.series if c.mean_of > 1}
        for bank in plan_segment(layout, 0, 1).banks:
            if bank.kind not in CHANNELS + TRANSITIONS:
                continue
            home = self._channels if bank.kind in CHANNELS else self._transitions
            home.update({table.name: (len(self._counts), n) for n, table in enumerate(bank.tables)})
            self._counts.append(len(bank.tables))

    def blocks(self, readings: Sequence[Readings], results: Sequence[Result]) -> Pending:
        """Return (bank, block) pairs. Raises TraceError for what the layout does not hold."""
        pending: Pending = []
        self._check(results)
        means: list[tuple[str, Gates]] = []
        if self._averagers:
            means += [(r.channel, gates_of(r)) for r in readings if r.channel in self._averagers]
            readings = [r for r in readings if r.channel not in self._averagers]
            judged = [r for r in results if r[0].transition in self._averagers]
            means += [(f.transition, judged_gates(f, states)) for f, states in judged]
            results = [r for r in results if r[0].transition not in self._averagers]
        if readings:
            names = [block.channel for block in readings]
            groups = self._groups("channel", names, self._channels)
            lengths = [len(block.start_ns) for block in readings]
            self._add(pending, groups, readings, lengths, _channel_block)
        if results:
            names = [frequencies.transition for frequencies, _ in results]
            groups = self._groups("transition", names, self._transitions)
            lengths = [len(frequencies.start_ns) for frequencies, _ in results]
            self._add(pending, groups, results, lengths, _transition_block)
        for name, gates in means:
            self._put_rows(pending, name, self._averagers[name].feed(gates))
        return pending

    def flush(self) -> Pending:
        """Return the rows of cells that are not over yet, at the end of a record or a layout."""
        pending: Pending = []
        for name, averager in self._averagers.items():
            self._put_rows(pending, name, averager.flush())
        return pending

    def _put_rows(self, pending: Pending, name: str, rows: Gates | None) -> None:
        if rows is None:
            return
        bank, slot = self._channels.get(name) or self._transitions[name]
        pending.append((bank, _means_block(slice(slot, slot + 1), rows)))

    def _groups(
        self, what: str, names: list[str], places: dict[str, tuple[int, int]]
    ) -> list[_Group]:
        known = self._last.get(what)
        if known is not None and known[0] == names:
            return known[1]
        found: dict[int, tuple[list[int], list[int]]] = {}
        for number, name in enumerate(names):
            if name not in places:
                raise _unknown(name, what, places)
            bank, slot = places[name]
            numbers, slots = found.setdefault(bank, ([], []))
            numbers.append(number)
            slots.append(slot)
        groups = [
            _Group(bank, numbers, slots, slots == list(range(self._counts[bank])))
            for bank, (numbers, slots) in found.items()
        ]
        self._last[what] = (names, groups)
        return groups

    def _add(
        self,
        pending: Pending,
        groups: Iterable[_Group],
        members: Sequence[Any],
        lengths: list[int],
        make: Callable[[slice, Sequence[Any], int], Block],
    ) -> None:
        for group in groups:
            sizes = {lengths[number] for number in group.numbers}
            if group.is_whole and len(sizes) == 1:
                size = sizes.pop()
                if size:
                    slots = slice(0, len(group.slots))
                    chosen = [members[number] for number in group.numbers]
                    pending.append((group.bank, make(slots, chosen, size)))
                continue
            for number, slot in zip(group.numbers, group.slots, strict=True):
                if size := lengths[number]:
                    one = make(slice(slot, slot + 1), [members[number]], size)
                    pending.append((group.bank, one))

    def _check(self, results: Sequence[Result]) -> None:
        for frequencies, states in results:
            name = frequencies.transition
            if name not in self._columns:
                raise _unknown(name, "transition", self._columns)
            if len(states) != len(frequencies.start_ns):
                raise TraceError(f"trace: {name}: one state per gate is needed")
            self._check_epoch(self._columns[name], frequencies)

    def _check_epoch(self, column: TransitionColumn, frequencies: Frequencies) -> None:
        known = self._nominals[column.name]
        if frequencies.nominal_text not in known:
            if from_text(frequencies.nominal_text) != column.nominal:
                raise TraceError(
                    f"trace: {column.name}: results are offsets from {frequencies.nominal_text} "
                    f"Hz, the layout has another nominal; call change_layout first"
                )
            known.add(frequencies.nominal_text)
        if frequencies.epoch != column.epoch:
            raise TraceError(
                f"trace: {column.name}: epoch {frequencies.epoch} is not the layout's "
                f"{column.epoch}; call change_layout first"
            )


def _unknown(name: str, what: str, known: Iterable[str]) -> TraceError:
    return TraceError(
        f"trace: {name!r} is no {what} of the layout; it has {', '.join(known) or 'none'}"
    )


def _channel_block(slots: slice, readings: Sequence[Readings], size: int) -> Block:
    if size == 1:
        return _channel_row(slots, readings)
    count = len(readings)
    words = np.empty((5, count, size), np.int64)
    _put_gates(words, [r.start_ns for r in readings], [r.stop_ns for r in readings])
    values = [r.offset for r in readings]
    values += [_not_stated(size) if r.errors is None else r.errors for r in readings]
    np.concatenate(values, out=words[3:].view(np.float64).reshape(-1))
    flags = np.concatenate([r.flags for r in readings]).reshape(count, size)
    return Block(slots, words, None, flags)


def _channel_row(slots: slice, readings: Sequence[Readings]) -> Block:
    """The same for one gate each, the usual case: packing numbers is twice as fast as arrays."""
    count = len(readings)
    starts = [r.start_ns.item() for r in readings]
    gates = [r.stop_ns.item() - start for r, start in zip(readings, starts, strict=True)]
    offsets = [r.offset.item() for r in readings]
    errors = [math.nan if r.errors is None else r.errors.item() for r in readings]
    data = bytearray(40 * count)
    _packer(count).pack_into(data, 0, *starts, *gates, *offsets, *offsets, *errors)
    words = np.frombuffer(data, np.int64).reshape(5, count, 1)
    flags = np.array([r.flags.item() for r in readings], np.uint32).reshape(count, 1)
    return Block(slots, words, None, flags)


@lru_cache(maxsize=64)
def _packer(count: int) -> struct.Struct:
    """Start and gate as int64, then three columns of float64, for ``count`` tables."""
    return struct.Struct(f"={2 * count}q{3 * count}d")


def _transition_block(slots: slice, results: Sequence[Result], size: int) -> Block:
    found = [frequencies for frequencies, _ in results]
    count = len(found)
    words = np.empty((7, count, size), np.int64)
    _put_gates(words, [f.start_ns for f in found], [f.stop_ns for f in found])
    values = [f.detuning for f in found]
    values += [f.offset for f in found]
    values += [f.errors for f in found]
    floats = words[3:].view(np.float64)
    np.concatenate(values, out=floats[:3].reshape(-1))
    if all(f.extra_u_hz is None for f in found):
        floats[3] = np.array([[f.u_constant_hz] for f in found])
    else:
        floats[3] = np.array([np.broadcast_to(f.constant_hz, size) for f in found])
    state = np.concatenate([np.asarray(s, np.uint8) for _, s in results]).reshape(count, size)
    flags = np.concatenate([f.flags for f in found]).reshape(count, size)
    return Block(slots, words, state, flags)


def _means_block(slots: slice, rows: Gates) -> Block:
    """Rows of means of one series: the columns of its gates, and how many they were."""
    assert rows.count is not None
    floats = [*rows.values, rows.errors]
    floats += [] if rows.constant is None else [rows.constant]
    words = np.empty((4 + len(floats), 1, len(rows)), np.int64)
    _put_gates(words, [rows.start_ns], [rows.stop_ns])
    np.concatenate(floats, out=words[3:-1].view(np.float64).reshape(-1))
    words[-1] = rows.count
    state = None if rows.state is None else rows.state[None]
    return Block(slots, words, state, rows.flags[None])


def _put_gates(words: Array, starts: list[Array], stops: list[Array]) -> None:
    """Put starts and lengths of gates into the first two columns."""
    np.concatenate(starts + stops, out=words[:2].reshape(-1))
    np.subtract(words[1], words[0], out=words[1])


_NAN = np.full(1024, np.nan)


def _not_stated(size: int) -> Array:
    return _NAN[:size] if size <= len(_NAN) else np.full(size, np.nan)
