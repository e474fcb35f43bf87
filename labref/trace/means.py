"""Block means: what the trace keeps of a series with more than a thousand gates a second.

Theory of operation. UTC is cut into cells of ``gates`` gate periods (1 ms or a little more), the
same for all channels of one gate, and a gate belongs to the cell in which its middle lies. A row is
a cell: from the begin of its first gate to the end of its last, the mean of their offsets, how
many they were, and all their flags. Nothing is mixed in silence: a row of which a gate is missing,
flagged or without a number carries the flag, GAP for a missing one, so that a usable row is
the mean of all gates of its cell, each touching the next. Its number of gates differs by one now
and then, because the counter's clock and the host's are two.

What the mean means: of n contiguous Pi gates exactly one Pi gate of their span. Of Lambda or
Omega gates, or of gates with dead time, it is the average of n such readings, as which the
statistics treat it (`labref.stability.counters`). The scatter of a mean is at most the mean of
its gates' scatters, whatever their noise: that bound is kept as the counting part, and the
record itself shows how much smaller it is. A row's verdict is the worst of its gates.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from labref.model.flags import UNUSABLE, Flag
from labref.model.readings import Bits, Floats, Ints, Readings
from labref.model.tolerance import States
from labref.model.verdict import Frequencies, State
from labref.trace.layout import ChannelColumn, TransitionColumn

_GAP = np.uint32(Flag.GAP)
_NEVER_NS = -(2**62)
_Index = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Gates:
    """``n`` gates, or rows of means, of one series.

    ``values`` float64 (q, n): what is averaged, the offset last. ``count`` int64 (n,): gates in
    each row, None for gates. ``constant`` float64 and ``state`` uint8 (n,) of a transition.
    """

    start_ns: Ints
    stop_ns: Ints
    values: Floats
    errors: Floats
    flags: Bits
    constant: Floats | None = None
    state: States | None = None
    count: Ints | None = None

    def __len__(self) -> int:
        return len(self.start_ns)

    def __getitem__(self, rows: slice) -> Gates:
        return Gates(
            self.start_ns[rows],
            self.stop_ns[rows],
            self.values[:, rows],
            self.errors[rows],
            self.flags[rows],
            None if self.constant is None else self.constant[rows],
            None if self.state is None else self.state[rows],
        )

    def followed_by(self, other: Gates) -> Gates:
        """These gates, then ``other``, of the same series."""
        mine, theirs = (self.constant, self.state), (other.constant, other.state)
        return Gates(
            np.concatenate([self.start_ns, other.start_ns]),
            np.concatenate([self.stop_ns, other.stop_ns]),
            np.concatenate([self.values, other.values], axis=1),
            np.concatenate([self.errors, other.errors]),
            np.concatenate([self.flags, other.flags]),
            *(
                None if a is None or b is None else np.concatenate([a, b])
                for a, b in zip(mine, theirs, strict=True)
            ),
        )


def gates_of(readings: Readings) -> Gates:
    """The gates of a channel."""
    errors = readings.errors
    return Gates(
        readings.start_ns,
        readings.stop_ns,
        readings.offset[None],
        np.full(len(readings), np.nan) if errors is None else errors,
        readings.flags,
    )


def judged_gates(frequencies: Frequencies, states: States) -> Gates:
    """The gates of a transition; averaged are detuning and offset."""
    return Gates(
        frequencies.start_ns,
        frequencies.stop_ns,
        np.array([frequencies.detuning, frequencies.offset]),
        frequencies.errors,
        frequencies.flags,
        np.array(np.broadcast_to(frequencies.constant_hz, len(frequencies))),
        np.asarray(states, np.uint8),
    )


class Averager:
    """Gates of one series in, rows of means out; the gates of the newest cell are held.

    The rows do not depend on how the gates were cut into blocks.
    """

    def __init__(self, column: ChannelColumn | TransitionColumn) -> None:
        self._dead_ns = int(column.attributes.get("dead_time_ns", 0))
        self._cell_ns = column.gate_ns + self._dead_ns
        self._most = 2 * column.mean_of
        self._gate_ns = self._cell_ns // column.mean_of - self._dead_ns
        self._held: Gates | None = None
        self._before_ns = _NEVER_NS

    def feed(self, gates: Gates) -> Gates | None:
        """Take the next gates; return the rows whose cells are over, None if there are none."""
        if self._held is not None:
            gates = self._held.followed_by(gates)
        if not len(gates):
            return None
        edges = self._edges(gates)
        self._held = gates[int(edges[-1]) :]
        return self._rows(gates, edges) if len(edges) > 1 else None

    def flush(self) -> Gates | None:
        """Return the row of the newest cell as far as it has come; None if nothing is held."""
        held, self._held = self._held, None
        return None if held is None else self._rows(held, np.array([0, len(held)]))

    def _edges(self, gates: Gates) -> _Index:
        """Where rows begin; a clock that stands still does not gather gates for ever."""
        cell = self._middle(gates) // self._cell_ns
        begins = np.flatnonzero(np.diff(cell, prepend=cell[0] - 1))
        lengths = np.diff(begins, append=len(cell))
        if int(lengths.max()) <= self._most:
            return begins
        place = np.arange(len(cell)) - np.repeat(begins, lengths)
        return np.flatnonzero(place % self._most == 0)

    def _middle(self, gates: Gates) -> Ints:
        middle: Ints = (gates.start_ns + gates.stop_ns) // 2
        return middle

    def _rows(self, gates: Gates, edges: _Index) -> Gates:
        """The rows between ``edges``; what follows the last edge is only looked at."""
        first, count = edges[:-1], np.diff(edges)
        end = int(edges[-1])
        touches = self._touches(gates)
        self._before_ns = int(gates.stop_ns[end - 1])
        is_whole = self._is_whole(gates, edges, touches)
        mine = gates[:end]
        usable = ((mine.flags & UNUSABLE) == 0) & np.isfinite(mine.values[-1])
        number = np.add.reduceat(usable.astype(np.int64), first)
        flags = np.bitwise_or.reduceat(mine.flags, first)
        # A row says what it has not: a gate that is not there, or has no number.
        missing = ~is_whole | ((number < count) & ((flags & UNUSABLE) == 0))
        flags = np.where(missing, flags | _GAP, flags)
        return Gates(
            np.minimum.reduceat(mine.start_ns, first),
            np.maximum.reduceat(mine.stop_ns, first),
            np.array([_means(row, usable, edges) for row in mine.values]),
            _share(np.add.reduceat(np.where(usable, mine.errors, 0.0), first), number),
            flags,
            None if mine.constant is None else _largest(mine.constant, usable, first),
            None if mine.state is None else _worst(mine.state, first, (flags & UNUSABLE) == 0),
            count,
        )

    def _touches(self, gates: Gates) -> npt.NDArray[np.bool_]:
        """Bool (n + 1,): whether each gate touches the one before it; behind the last: False."""
        before = np.empty(len(gates), np.int64)
        before[1:] = gates.stop_ns[:-1]
        before[0] = self._before_ns
        away = np.abs(gates.start_ns - before - self._dead_ns)
        return np.append(away <= self._gate_ns // 2, False)

    def _is_whole(
        self, gates: Gates, edges: _Index, touches: npt.NDArray[np.bool_]
    ) -> npt.NDArray[np.bool_]:
        """Whether no gate with its middle in the cell is missing: bool (rows,)."""
        first, last = edges[:-1], edges[1:] - 1
        begin_ns = self._middle(gates)[first] // self._cell_ns * self._cell_ns
        half_ns = self._gate_ns // 2
        inner = (~touches[: int(edges[-1])]).astype(np.int64)
        inner[first] = 0
        # Would the gate before the first, or behind the last, have its middle in the cell?
        before_ns = gates.start_ns[first] - self._dead_ns - self._gate_ns + half_ns
        behind_ns = gates.stop_ns[last] + self._dead_ns + half_ns
        starts = touches[first] | (before_ns < begin_ns)
        ends = touches[last + 1] | (behind_ns >= begin_ns + self._cell_ns)
        whole: npt.NDArray[np.bool_] = (np.add.reduceat(inner, first) == 0) & starts & ends
        return whole


def _means(values: Floats, usable: npt.NDArray[np.bool_], edges: _Index) -> Floats:
    """Means of the usable values between ``edges``: sums rounded once, then divided."""
    kept = np.concatenate([[0], np.cumsum(usable)])[edges].tolist()
    numbers = values[usable].tolist()
    return np.array(
        [math.fsum(numbers[a:b]) / (b - a) if b > a else math.nan for a, b in pairwise(kept)]
    )


def _share(total: Floats, number: Ints) -> Floats:
    mean: Floats = np.where(number > 0, total / np.maximum(number, 1), np.nan)
    return mean


def _largest(constant: Floats, usable: npt.NDArray[np.bool_], first: _Index) -> Floats:
    found = np.maximum.reduceat(np.where(usable, constant, -np.inf), first)
    return np.where(np.isfinite(found), found, np.nan)


def _worst(state: States, first: _Index, is_clean: npt.NDArray[np.bool_]) -> States:
    bad = np.maximum.reduceat(state == int(State.BAD), first)
    good = np.minimum.reduceat(state == int(State.GOOD), first) & is_clean
    return np.where(bad, int(State.BAD), np.where(good, int(State.GOOD), 0)).astype(np.uint8)
