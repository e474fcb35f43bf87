"""Which reading of every other channel belongs to a gate of the base channel (rule M11).

The base is the channel that carries the laser's own signal (its beat). A gate is derived once
every channel's reading for it is known, or its lateness limit has passed: then it is a gap.
A channel's reading belongs to the base gate with which it shares most of its time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from labref.model.flags import UNUSABLE, Flag
from labref.model.readings import Floats, Ints, Readings
from labref.session.recent import Recent

_WRITTEN = int(Flag.WRITTEN)


@dataclass(frozen=True, slots=True, eq=False)
class Aligned:
    """``n`` gates of the base with the readings of ``k`` channels that belong to them.

    ``offsets``, ``errors`` float64 (k, n), ``flags`` uint32 (k, n); ``overlap`` and ``skew_s``
    float64 (k, n): shared fraction of the gate, and distance of the middles; None when equal.
    """

    start_ns: Ints
    stop_ns: Ints
    offsets: Floats
    errors: Floats
    flags: npt.NDArray[np.uint32]
    overlap: Floats | None = None
    skew_s: Floats | None = None

    def __len__(self) -> int:
        return len(self.start_ns)


@dataclass(frozen=True, slots=True)
class GatePlan:
    """The channels of one equation: ``base`` first, others with gates, held ones last.

    ``hold_ns`` maps a held channel (a set-point read back now and then) to how long its last
    value stands. ``lateness_ns`` is counted from the end of a gate. ``awaits`` do not enter:
    a check compares them gate by gate, so that a gate waits for them as well.
    """

    base: str
    others: tuple[str, ...]
    hold_ns: Mapping[str, int]
    lateness_ns: int
    awaits: tuple[str, ...] = ()

    @property
    def channels(self) -> tuple[str, ...]:
        """Row order of everything aligned by this plan."""
        return (self.base, *self.others, *self.hold_ns)


def equal_gates(blocks: list[Readings]) -> bool:
    """Whether all blocks hold the very same gates: the fast path."""
    first = blocks[0].start_ns
    size = len(first)
    for other in blocks[1:]:
        start = other.start_ns
        if start is first:
            continue
        if len(start) != size or start[0] != first[0] or start[-1] != first[-1]:
            return False
        if size > 2 and not np.array_equal(start, first):
            return False
    return True


def stack(blocks: list[Readings]) -> Aligned:
    """Align blocks that hold the very same gates."""
    flags = np.array([b.flags for b in blocks])
    offsets = np.array([b.offset for b in blocks])
    if not (flags == _WRITTEN).all():
        offsets[(flags & UNUSABLE) != 0] = np.nan
    return Aligned(
        blocks[0].start_ns,
        blocks[0].stop_ns,
        offsets,
        np.array([_errors(b) for b in blocks]),
        flags,
    )


def align(
    plan: GatePlan, recent: Mapping[str, Recent], cursor_ns: int, now_ns: int
) -> Aligned | None:
    """Return the gates after ``cursor_ns`` that can be derived now, or None."""
    base = recent[plan.base].after(cursor_ns)
    if not len(base):
        return None
    expired = base.stop_ns + plan.lateness_ns <= now_ns
    rows = [_itself(base)]
    ready = np.ones(len(base), bool)
    for name in plan.others:
        row, known = _partner(base, recent[name].all())
        rows.append(row)
        ready &= known | expired
    for name in plan.awaits:
        ready &= _partner(base, recent[name].all())[1] | expired
    rows += [_held(base, recent[name].all(), hold) for name, hold in plan.hold_ns.items()]
    count = len(ready) if ready.all() else int(np.argmin(ready))
    if count == 0:
        return None
    return Aligned(
        base.start_ns[:count],
        base.stop_ns[:count],
        np.array([row.offset[:count] for row in rows]),
        np.array([row.errors[:count] for row in rows]),
        np.array([row.flags[:count] for row in rows]),
        np.array([row.overlap[:count] for row in rows]),
        np.array([row.skew_s[:count] for row in rows]),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Row:
    offset: Floats
    errors: Floats
    flags: npt.NDArray[np.uint32]
    overlap: Floats
    skew_s: Floats


def _itself(base: Readings) -> _Row:
    ones = np.ones(len(base))
    return _Row(_clean(base.offset, base.flags), _errors(base), base.flags, ones, 0 * ones)


def _partner(base: Readings, other: Readings) -> tuple[_Row, npt.NDArray[np.bool_]]:
    """The reading of ``other`` nearest to each base gate, and whether it can still change."""
    n = len(base)
    if not len(other):
        return _missing(n, Flag.GAP), np.zeros(n, bool)
    # Twice the middle, to stay in integers.
    wanted = base.start_ns + base.stop_ns
    middles = other.start_ns + other.stop_ns
    after = np.clip(np.searchsorted(middles, wanted), 0, len(other) - 1)
    before = np.maximum(after - 1, 0)
    pick = np.where(
        np.abs(middles[after] - wanted) < np.abs(middles[before] - wanted), after, before
    )
    length = base.stop_ns - base.start_ns
    shared = np.minimum(base.stop_ns, other.stop_ns[pick]) - np.maximum(
        base.start_ns, other.start_ns[pick]
    )
    overlap = np.clip(shared / np.maximum(length, 1), 0.0, 1.0)
    # A later reading could only fit better while none was seen from the gate's middle on,
    # unless this one already shares more than half of the gate.
    known = (overlap > 0.5) | (middles[-1] >= wanted)
    missing = overlap <= 0
    flags = np.where(missing, int(Flag.WRITTEN | Flag.GAP), other.flags[pick]).astype(np.uint32)
    row = _Row(
        np.where(missing, np.nan, _clean(other.offset[pick], flags)),
        _errors(other)[pick],
        flags,
        overlap,
        (middles[pick] - wanted) / 2e9,
    )
    return row, known


def _held(base: Readings, other: Readings, hold_ns: int) -> _Row:
    """The last value read back before each gate's end, for as long as it stands."""
    n = len(base)
    if not len(other):
        return _missing(n, Flag.STALE)
    pick = np.searchsorted(other.stop_ns, base.stop_ns, "right") - 1
    seen = pick >= 0
    pick = np.maximum(pick, 0)
    fresh = seen & (base.stop_ns - other.stop_ns[pick] <= hold_ns)
    flags = np.where(fresh, other.flags[pick], int(Flag.WRITTEN | Flag.STALE)).astype(np.uint32)
    return _Row(
        np.where(fresh, _clean(other.offset[pick], flags), np.nan),
        _errors(other)[pick],
        flags,
        np.ones(n),
        np.zeros(n),
    )


def _missing(n: int, why: Flag) -> _Row:
    flags = np.full(n, int(Flag.WRITTEN | why), np.uint32)
    return _Row(np.full(n, np.nan), np.full(n, np.nan), flags, np.zeros(n), np.zeros(n))


def _clean(offset: Floats, flags: npt.NDArray[np.uint32]) -> Floats:
    """Offsets with every flagged reading taken out: a flagged number enters no equation."""
    unusable = (flags & UNUSABLE) != 0
    return np.where(unusable, np.nan, offset) if unusable.any() else offset


def _errors(readings: Readings) -> Floats:
    return np.full(len(readings), np.nan) if readings.errors is None else readings.errors
