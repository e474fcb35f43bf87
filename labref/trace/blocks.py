"""From readings and frequencies to blocks of a bank: one matrix per column."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np

from labref.model.errors import TraceError
from labref.model.exact import from_text
from labref.model.readings import Readings
from labref.model.verdict import Frequencies
from labref.trace.bank import Block
from labref.trace.create import plan_segment
from labref.trace.layout import TraceLayout, TransitionColumn
from labref.trace.medium import Array
from labref.trace.tables import Kind

Result = tuple[Frequencies, Array]
Pending = list[tuple[int, Block]]


class Sorter:
    """Sorts what a pass delivers into blocks of the banks of a layout."""

    def __init__(self, layout: TraceLayout) -> None:
        self._channels: dict[str, tuple[int, int]] = {}
        self._transitions: dict[str, tuple[int, int]] = {}
        self._counts: list[int] = []
        self._columns = {column.name: column for column in layout.transitions}
        self._nominals = {column.name: {str(column.nominal)} for column in layout.transitions}
        for bank in plan_segment(layout, 0, 1).banks:
            if bank.kind not in (Kind.CHANNEL, Kind.TRANSITION):
                continue
            home = self._channels if bank.kind is Kind.CHANNEL else self._transitions
            home.update({table.name: (len(self._counts), n) for n, table in enumerate(bank.tables)})
            self._counts.append(len(bank.tables))

    def blocks(self, readings: Sequence[Readings], results: Sequence[Result]) -> Pending:
        """Return (bank, block) pairs. Raises TraceError for what the layout does not hold."""
        pending: Pending = []
        if readings:
            pending += self._sorted(readings, self._channel_place, len, _channel_block)
        if results:
            pending += self._sorted(
                results, self._transition_place, lambda result: len(result[0]), _transition_block
            )
        return pending

    def _sorted(
        self,
        items: Iterable[Any],
        place: Callable[[Any], tuple[int, int]],
        length: Callable[[Any], int],
        make: Callable[[slice, Sequence[Any]], Block],
    ) -> Pending:
        groups: dict[int, list[tuple[int, Any]]] = {}
        for item in items:
            if length(item):
                bank, slot = place(item)
                groups.setdefault(bank, []).append((slot, item))
        pending: Pending = []
        for bank, members in groups.items():
            count = self._counts[bank]
            whole = [slot for slot, _ in members] == list(range(count))
            if whole and len({length(item) for _, item in members}) == 1:
                pending.append((bank, make(slice(0, count), [item for _, item in members])))
            else:
                pending += [(bank, make(slice(n, n + 1), [item])) for n, item in members]
        return pending

    def _channel_place(self, readings: Readings) -> tuple[int, int]:
        try:
            return self._channels[readings.channel]
        except KeyError:
            raise _unknown(readings.channel, "channel", self._channels) from None

    def _transition_place(self, result: Result) -> tuple[int, int]:
        frequencies, states = result
        try:
            place = self._transitions[frequencies.transition]
        except KeyError:
            raise _unknown(frequencies.transition, "transition", self._transitions) from None
        if len(states) != len(frequencies):
            raise TraceError(f"trace: {frequencies.transition}: one state per gate is needed")
        self._check_epoch(self._columns[frequencies.transition], frequencies)
        return place

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


def _stack(arrays: Sequence[Array], shape: tuple[int, int]) -> Array:
    return np.concatenate(arrays).reshape(shape) if len(arrays) > 1 else arrays[0].reshape(shape)


def _channel_block(slots: slice, readings: Sequence[Readings]) -> Block:
    shape = (len(readings), len(readings[0]))
    start = _stack([r.start_ns for r in readings], shape)
    stop = _stack([r.stop_ns for r in readings], shape)
    offset = _stack([r.offset for r in readings], shape)
    if any(r.errors is not None for r in readings):
        blank = np.full(shape[1], np.nan)
        errors = _stack([blank if r.errors is None else r.errors for r in readings], shape)
    else:
        errors = np.full(shape, np.nan)
    flags = _stack([r.flags for r in readings], shape)
    return Block(slots, start, stop - start, (offset, errors), flags)


def _transition_block(slots: slice, results: Sequence[Result]) -> Block:
    found = [frequencies for frequencies, _ in results]
    shape = (len(found), len(found[0]))
    start = _stack([f.start_ns for f in found], shape)
    stop = _stack([f.stop_ns for f in found], shape)
    constant = np.repeat(np.array([[f.u_constant_hz] for f in found]), shape[1], axis=1)
    values = (
        _stack([f.detuning for f in found], shape),
        _stack([f.offset for f in found], shape),
        _stack([f.errors for f in found], shape),
        constant,
        _stack([np.asarray(states, np.uint8) for _, states in results], shape),
    )
    return Block(slots, start, stop - start, values, _stack([f.flags for f in found], shape))
