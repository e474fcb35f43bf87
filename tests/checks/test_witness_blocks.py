"""A witness remembers all of a block, however long: its gates are asked about one by one."""

from __future__ import annotations

import numpy as np
import pytest

from labref.checks.witness import LastValues
from labref.model.readings import block

S = 10**9


@pytest.mark.parametrize("size", [1, 7, 100, 5000])
def test_every_reading_of_a_block_is_found_at_its_own_time(size: int) -> None:
    last = LastValues(60 * S)
    stops = S * np.arange(1, 10_001, dtype=np.int64)
    for first in range(0, len(stops), size):
        part = stops[first : first + size]
        last.add(block("wm", part - S, part, part / S))
        assert last.at(part, 5 * S).tolist() == (part / S).tolist()
        # A gate that waited for its lateness limit ends a little before the block begins.
        before = part[0] - S // 2
        assert last.last(int(before), 5 * S) == (before // S or pytest.approx(np.nan, nan_ok=True))


def test_what_is_long_past_is_forgotten() -> None:
    last = LastValues(60 * S)
    for second in range(1, 1001):
        last.add(block("wm", (second - 1) * S, second * S, 0.0))
    assert len(last._stops) <= 121
