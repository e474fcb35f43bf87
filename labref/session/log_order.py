"""Rows whose stamps repeat or run backwards: kept, flagged, and placed where they arrived.

Which of two contradicting stamps is wrong cannot be known from the log. The rows that are
believed are the longest rising sequence of stamps, so that one stamp far in the future does not
condemn the rest of the night, nor one in the past what came before. Of the others, every value
is kept one nanosecond after the row before it, and a believed row that shares its gate with
what such a row claims loses its credit as well: two rows claim that time.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from labref.model.readings import Ints

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Order:
    """Where ``n`` rows stand: ``times_ns`` int64 (n,), strictly rising.

    ``trusted`` bool (n,): its stamp may be believed. ``astray`` bool (n,): its stamp was read,
    but it does not stand where it claims.
    """

    times_ns: Ints
    trusted: Mask
    astray: Mask


def settle(
    times_ns: Ints, readable: Mask, gate_ns: int, after_ns: int | None, claims_ns: Ints
) -> Order:
    """Put rows in order. ``readable``: rows with a stamp at all; ``gate_ns``: the longest gate.

    ``after_ns``: the last time already delivered, None at the beginning; ``claims_ns``: what
    rows astray among those delivered claimed.
    """
    n = len(times_ns)
    new = readable if after_ns is None else readable & (times_ns > after_ns)
    if not len(claims_ns) and new.all() and bool(np.all(times_ns[1:] > times_ns[:-1])):
        return Order(times_ns, new, ~new)
    kept = np.zeros(n, bool)
    candidates = np.flatnonzero(new)
    kept[candidates[longest_rising(times_ns[candidates])]] = True
    if after_ns is None:
        # Rows before the first believed one go just in front of it.
        first = int(np.argmax(kept))
        after_ns = int(times_ns[first]) - first - 1 if len(candidates) else 0
    # Strictly rising: subtract the row number, take the running maximum, add it again.
    row = np.arange(n, dtype=np.int64)
    wanted = np.where(kept, times_ns, after_ns + 1)
    placed = np.maximum.accumulate(np.maximum(wanted, after_ns + 1) - row) + row
    kept &= placed == times_ns
    astray = readable & ~kept
    claims = np.sort(np.concatenate((claims_ns, times_ns[astray])))
    after = np.searchsorted(claims, times_ns - gate_ns, "right")
    before = np.searchsorted(claims, times_ns + gate_ns, "left")
    return Order(placed, kept & (before <= after), astray)


def longest_rising(values: Ints) -> Ints:
    """Indices of a longest strictly rising subsequence of ``values`` (patience sorting)."""
    tails: list[int] = []
    tail_rows: list[int] = []
    previous = np.full(len(values), -1, np.int64)
    for row, value in enumerate(values.tolist()):
        pile = bisect_left(tails, value)
        if pile == len(tails):
            tails.append(value)
            tail_rows.append(row)
        else:
            tails[pile] = value
            tail_rows[pile] = row
        previous[row] = tail_rows[pile - 1] if pile else -1
    chosen = np.empty(len(tails), np.int64)
    row = tail_rows[-1] if tail_rows else -1
    for place in range(len(tails) - 1, -1, -1):
        chosen[place] = row
        row = int(previous[row])
    return chosen
