"""Block means: what the trace keeps of a fast channel (rules M4, M11, M20)."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from itertools import groupby, pairwise
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.model.errors import TraceError
from labref.model.flags import Flag
from labref.model.readings import Readings
from labref.trace.layout import MEAN_OF, ChannelColumn, TraceLayout
from labref.trace.means import Averager, Gates, gates_of

GOOD, BAD, UNKNOWN = 1, 2, 0
START_NS = 1_790_000_000_000_000_000


def column(gates: int, gate_ns: int, dead_ns: int = 0) -> ChannelColumn:
    span_ns = gates * (gate_ns + dead_ns) - dead_ns
    attributes = {MEAN_OF: gates, "dead_time_ns": dead_ns}
    return ChannelColumn("fast", Fraction(60_000_000), gate_ns=span_ns, attributes=attributes)


class Row(NamedTuple):
    """One row, as plain values."""

    start_ns: int
    stop_ns: int
    count: int
    flags: int
    values: tuple[float, ...]
    error: float
    constant: float | None
    state: int


def cell_of(start_ns: int, gates: int, gate_ns: int, dead_ns: int) -> int:
    return (2 * start_ns + gate_ns) // 2 // (gates * (gate_ns + dead_ns))


def fed(averager: Averager, gates: Gates, cuts: Sequence[int]) -> list[Row]:
    """All rows, with the gates handed in between ``cuts``."""
    edges = sorted({0, len(gates), *(min(cut, len(gates)) for cut in cuts)})
    found = [averager.feed(gates[a:b]) for a, b in pairwise(edges)]
    rows: list[Row] = []
    for part in [*found, averager.flush()]:
        if part is None:
            continue
        assert part.count is not None
        states = [-1] * len(part) if part.state is None else part.state.tolist()
        largest = [None] * len(part) if part.constant is None else part.constant.tolist()
        columns = zip(
            part.start_ns.tolist(),
            part.stop_ns.tolist(),
            part.count.tolist(),
            part.flags.tolist(),
            [tuple(values) for values in part.values.T.tolist()],
            part.errors.tolist(),
            largest,
            states,
            strict=True,
        )
        rows += [Row(*values) for values in columns]
    return rows


@st.composite
def lattices(draw: st.DrawFn) -> tuple[int, int, int, list[int], int]:
    """Gates of a lattice of which some are missing: (mean of, gate, dead, indices, origin)."""
    gates = draw(st.integers(2, 12))
    gate_ns = draw(st.integers(3, 100_001))
    dead_ns = draw(st.sampled_from([0, 0, 1, gate_ns // 3, 2 * gate_ns]))
    missing = draw(st.sets(st.integers(0, 60), max_size=6))
    count = draw(st.integers(1, 60))
    origin_ns = START_NS + draw(st.integers(0, 10**9))
    kept = [index for index in range(count) if index not in missing] or [0]
    return gates, gate_ns, dead_ns, kept, origin_ns


FLAGS = st.sampled_from([1, 1, 1, 1, 1, 1 | int(Flag.GAP), 1 | int(Flag.LINK), 1 | int(Flag.LATE)])


@given(lattices(), st.data())
def test_rows_are_what_fractions_say(
    lattice: tuple[int, int, int, list[int], int], data: st.DataObject
) -> None:
    gates, gate_ns, dead_ns, kept, origin_ns = lattice
    n = len(kept)
    starts = [origin_ns + index * (gate_ns + dead_ns) for index in kept]
    flags = data.draw(st.lists(FLAGS, min_size=n, max_size=n))
    values = data.draw(
        st.lists(st.floats(-1e9, 1e9) | st.just(float("nan")), min_size=n, max_size=n)
    )
    states = data.draw(st.lists(st.sampled_from([0, 1, 1, 1, 2]), min_size=n, max_size=n))
    start = np.array(starts, np.int64)
    given_gates = Gates(
        start,
        start + gate_ns,
        np.array([[2 * v for v in values], values]),
        np.full(n, 0.5),
        np.array(flags, np.uint32),
        np.arange(n, dtype=np.float64),
        np.array(states, np.uint8),
    )
    cuts = data.draw(st.lists(st.integers(0, 60), max_size=5))
    rows = fed(Averager(column(gates, gate_ns, dead_ns)), given_gates, cuts)

    cells = groupby(range(n), lambda k: cell_of(starts[k], gates, gate_ns, dead_ns))
    for row, (cell, members) in zip(rows, cells, strict=True):
        mine = list(members)
        usable = [k for k in mine if flags[k] == 1 and values[k] == values[k]]
        # Would any gate of the lattice with its middle in this cell be missing?
        near = range(kept[mine[0]] - gates, kept[mine[-1]] + gates + 1)
        due = [
            index
            for index in near
            if cell_of(origin_ns + index * (gate_ns + dead_ns), gates, gate_ns, dead_ns) == cell
        ]
        whole = due == [kept[k] for k in mine]
        assert (row.start_ns, row.stop_ns) == (starts[mine[0]], starts[mine[-1]] + gate_ns)
        assert row.count == len(mine)
        assert row.flags & ~2 == np.bitwise_or.reduce([flags[k] for k in mine]) & ~2
        assert (row.flags == 1) == (whole and len(usable) == len(mine))
        if usable:
            total = sum((Fraction(values[k]) for k in usable), Fraction(0))
            assert row.values == (float(2 * total) / len(usable), float(total) / len(usable))
            assert row.error == 0.5  # no larger than a gate's, and no smaller than it may be
            assert row.constant == max(usable)
        else:
            assert np.isnan(row.values).all()
        worst = [states[k] for k in mine]
        good = set(worst) == {GOOD} and row.flags == 1
        assert row.state == (BAD if BAD in worst else GOOD if good else UNKNOWN)
    assert sum(row.count for row in rows) == n
    assert all(a.start_ns < b.start_ns for a, b in pairwise(rows))


@given(lattices(), st.lists(st.integers(0, 60), max_size=8), st.integers(0, 2**32 - 1))
def test_cutting_gates_into_blocks_changes_nothing(
    lattice: tuple[int, int, int, list[int], int], cuts: list[int], seed: int
) -> None:
    gates, gate_ns, dead_ns, kept, origin_ns = lattice
    rng = np.random.default_rng(seed)
    jitter = rng.integers(-gate_ns // 4, gate_ns // 4 + 1, len(kept))
    start = origin_ns + np.array(kept, np.int64) * (gate_ns + dead_ns) + jitter
    flags = np.where(rng.random(len(kept)) < 0.1, np.uint32(3), np.uint32(1)).astype(np.uint32)
    given_gates = gates_of(
        Readings("fast", start, start + gate_ns, rng.normal(size=len(kept)), flags)
    )
    whole = fed(Averager(column(gates, gate_ns, dead_ns)), given_gates, [])
    parts = fed(Averager(column(gates, gate_ns, dead_ns)), given_gates, cuts)
    assert repr(whole) == repr(parts)


def test_a_drifting_lattice_loses_no_row() -> None:
    """The counter's clock is not the host's: the number of gates in a row differs by one."""
    start = START_NS + np.round(np.arange(50_000) * 100_003.7).astype(np.int64)
    readings = Readings(
        "fast", start, start + 100_000, np.zeros(50_000), np.ones(50_000, np.uint32)
    )
    averager = Averager(column(10, 100_000))
    rows = averager.feed(gates_of(readings))
    assert rows is not None
    assert rows.count is not None
    assert set(rows.count[1:].tolist()) == {9, 10}
    assert (rows.flags[1:] == 1).all()


def test_stamps_that_are_shifted_by_half_a_gate_are_no_gap() -> None:
    """So much at most the stamps move at once when the lattice of arrivals is set right (M20)."""
    start = START_NS + np.arange(200) * 100_000
    start[95:] += 50_000
    readings = Readings("fast", start, start + 100_000, np.zeros(200), np.ones(200, np.uint32))
    averager = Averager(column(10, 100_000))
    rows = averager.feed(gates_of(readings))
    assert rows is not None
    assert (rows.flags == 1).all()


def test_a_clock_that_stands_gathers_no_gates_for_ever() -> None:
    start = np.full(1000, START_NS)
    readings = Readings("fast", start, start + 100_000, np.zeros(1000), np.ones(1000, np.uint32))
    averager = Averager(column(10, 100_000))
    rows = averager.feed(gates_of(readings))
    assert rows is not None
    assert rows.count is not None
    assert int(rows.count.max()) == 20
    assert not (rows.flags == 1).any()


def test_a_mean_needs_gates() -> None:
    broken = ChannelColumn("fast", Fraction(1), gate_ns=3, attributes={MEAN_OF: 0})
    with pytest.raises(TraceError, match="fast: no mean of 0 gates"):
        TraceLayout((broken,))


@pytest.mark.parametrize("shift_ns", [-1, 0, 1])
def test_a_middle_on_the_edge_belongs_to_the_cell_that_begins(shift_ns: int) -> None:
    """Ten gates whose middles lie at the cell's begin and after it, and none beside them."""
    begin_ns = START_NS // 1_000_000 * 1_000_000
    start = begin_ns - 50_000 + shift_ns + np.arange(10) * 100_000
    readings = Readings("fast", start, start + 100_000, np.zeros(10), np.ones(10, np.uint32))
    rows = fed(Averager(column(10, 100_000)), gates_of(readings), [])
    counts = {-1: [1, 9], 0: [10], 1: [10]}[shift_ns]
    assert [row.count for row in rows] == counts
    assert [row.flags for row in rows] == {-1: [3, 3], 0: [1], 1: [1]}[shift_ns]
