"""Readings find the gate they belong to (M11)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.model.flags import Flag
from labref.model.readings import Readings, block, gap
from labref.session.align import GatePlan, align, equal_gates, stack
from labref.session.recent import Recent

S = 10**9
NEVER = -(2**62)


def readings(name: str, starts_s: list[float], value: float = 0.0, gate_s: float = 1.0) -> Readings:
    starts = np.array([round(s * S) for s in starts_s], np.int64)
    offsets = value + np.arange(len(starts))
    return block(name, starts, starts + round(gate_s * S), offsets, errors=np.ones(len(starts)))


def recent(*blocks: Readings) -> dict[str, Recent]:
    found: dict[str, Recent] = {}
    for one in blocks:
        found.setdefault(one.channel, Recent(one.channel)).add(one)
    return found


PLAN = GatePlan("beat", ("f_rep",), {}, lateness_ns=round(1.2 * S))


def test_equal_gates_are_stacked_as_they_are() -> None:
    blocks = [readings("beat", [0, 1]), readings("f_rep", [0, 1], 10.0)]
    assert equal_gates(blocks)
    aligned = stack(blocks)
    assert aligned.offsets.tolist() == [[0, 1], [10, 11]]
    assert not equal_gates([blocks[0], readings("f_rep", [0.037, 1.037])])
    assert not equal_gates([blocks[0], readings("f_rep", [0])])
    assert not equal_gates(
        [readings("beat", [0, 1, 2, 3]), readings("f_rep", [0, 1.5, 2, 3], gate_s=0.5)]
    )


def test_a_flagged_number_enters_no_equation() -> None:
    flagged = block("f_rep", [0], [S], [10.0], int(Flag.WRITTEN | Flag.TOO_GOOD), [1.0])
    assert np.isnan(stack([readings("beat", [0]), flagged]).offsets[1, 0])
    aligned = align(PLAN, recent(readings("beat", [0]), flagged), NEVER, 0)
    assert aligned is not None
    assert np.isnan(aligned.offsets[1, 0])


@pytest.mark.parametrize("skew", [-0.463, -0.037, 0.037, 0.463])
def test_rule_M11_a_skewed_reading_belongs_where_it_overlaps_most(skew: float) -> None:
    other = readings("f_rep", [i + skew for i in range(-1, 5)], 100.0)
    aligned = align(PLAN, recent(readings("beat", [0, 1, 2]), other), NEVER, 0)
    assert aligned is not None
    assert aligned.offsets[1].tolist() == [101.0, 102.0, 103.0]
    assert aligned.overlap is not None
    assert aligned.skew_s is not None
    np.testing.assert_allclose(aligned.overlap[1], 1 - abs(skew))
    np.testing.assert_allclose(aligned.skew_s[1], skew)


def test_a_gate_waits_for_its_channels_until_it_is_late() -> None:
    beat = readings("beat", [0, 1, 2])
    known = recent(beat, readings("f_rep", [0]))
    first = align(PLAN, known, NEVER, 2 * S)
    assert first is not None
    assert len(first) == 1
    assert align(PLAN, known, 0, round(3.1 * S)) is None
    late = align(PLAN, known, 0, round(3.3 * S))
    assert late is not None
    assert late.start_ns.tolist() == [S]
    assert late.flags[1, 0] & Flag.GAP
    assert np.isnan(late.offsets[1, 0])


def test_a_missing_reading_in_the_middle_is_a_gap_at_once() -> None:
    known = recent(readings("beat", [0, 1, 2]), readings("f_rep", [0, 2], 100.0))
    aligned = align(PLAN, known, NEVER, 0)
    assert aligned is not None
    assert len(aligned) == 3
    assert np.isnan(aligned.offsets[1]).tolist() == [False, True, False]


def test_a_held_value_stands_until_it_is_stale() -> None:
    plan = GatePlan("beat", (), {"aom": 2 * S}, lateness_ns=S)
    aom = block("aom", [-S], [0], [7.0], errors=[0.0])
    aligned = align(plan, recent(readings("beat", [0, 1, 2]), aom), NEVER, 0)
    assert aligned is not None
    assert aligned.offsets[1].tolist()[:2] == [7.0, 7.0]
    assert aligned.flags[1, 2] & Flag.STALE
    assert np.isnan(aligned.offsets[1, 2])


def test_a_dead_link_is_carried_as_a_flag() -> None:
    dead = gap("f_rep", 0, S, Flag.LINK)
    aligned = align(PLAN, recent(readings("beat", [0]), dead), NEVER, 0)
    assert aligned is not None
    assert aligned.flags[1, 0] & Flag.LINK


@given(
    st.lists(st.booleans(), min_size=1, max_size=12),
    st.lists(st.booleans(), min_size=1, max_size=12),
    st.floats(-0.45, 0.45),
)
def test_every_base_gate_is_derived_once_and_no_reading_is_invented(
    base_there: list[bool], other_there: list[bool], skew: float
) -> None:
    base = [i for i, there in enumerate(base_there) if there]
    other = [i for i, there in enumerate(other_there) if there]
    if not base or not other:
        return
    known = recent(
        readings("beat", [float(i) for i in base]),
        block(
            "f_rep",
            [round((i + skew) * S) for i in other],
            [round((i + skew + 1) * S) for i in other],
            [float(i) for i in other],
            errors=np.ones(len(other)),
        ),
    )
    aligned = align(PLAN, known, NEVER, 100 * S)
    assert aligned is not None
    assert aligned.start_ns.tolist() == [i * S for i in base]
    for gate, value in zip(base, aligned.offsets[1], strict=True):
        if gate in other:
            assert value == gate
        elif not np.isnan(value):
            # A neighbour that overlaps it partly, declared as such.
            assert abs(value + skew - gate) < 1
