"""Times that do not rise: a stepped host clock, or a row that came out of order.

Within a segment times rise strictly. A single row that does not is stored 1 ns after its
predecessor, flagged CLOCK_STEP, and a message keeps the time it came with. When rows go on
behind the stored ones, the clock was set back: a new segment takes them with their own times,
the first row of every series in it flagged CLOCK_STEP. Segments are not split for steps more
often than the limits below, so that a mad clock cannot fill a disk with files.
"""

from __future__ import annotations

from enum import Enum, auto

import numpy as np

from labref.model.times import NS_PER_S, Clock, iso
from labref.trace.bank import Bank, Block, rising, stepped
from labref.trace.notes import Notes
from labref.trace.segment import Segment

# A row may start this long before its segment's cell: it came late, past a rotation.
LATEST_NS = 3600 * NS_PER_S
_FREE_STEPS = 20
_STEP_EVERY_S = 60.0


class Course(Enum):
    """How the times of a block go on from what is stored."""

    RISING = auto()
    CROOKED = auto()  # some row has to move, or to be flagged
    BACK = auto()  # the clock was set back: a new segment


class StepWatch:
    """Looks at the times of every block before it is stored."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._steps = 0
        self._next_step_s = 0.0
        self._is_stepping = False
        self._unflagged: dict[int, np.ndarray[tuple[int], np.dtype[np.bool_]]] = {}
        self._behind: dict[tuple[int, int], int] = {}

    def course(self, segment: Segment, bank: Bank, block: Block) -> Course:
        """Say how to store ``block``; BACK is said at most as often as the limits allow."""
        start = block.words[0]
        earliest = min(start[:, 0].tolist())
        is_far = earliest < segment.start_ns - LATEST_NS
        rises = earliest > bank.newest_ns or bool((start[:, 0] > bank.last_ns[block.slots]).all())
        if rises and not is_far:
            crooked = start.shape[1] > 1 and bool((start[:, 1:] <= start[:, :-1]).any())
            return Course.CROOKED if crooked or self._unflagged else Course.RISING
        if (is_far or self._goes_on_behind(bank, block)) and self._may_step():
            self._is_stepping = True
            return Course.BACK
        return Course.CROOKED

    def _goes_on_behind(self, bank: Bank, block: Block) -> bool:
        if len(block) > 1:
            return bool((block.start_ns[:, -1] <= bank.last_ns[block.slots]).any())
        before = self._behind.get((id(bank), block.slots.start))
        return before is not None and int(block.start_ns[0, 0]) > before

    def _may_step(self) -> bool:
        now_s = self._clock.monotonic_s()
        if self._steps >= _FREE_STEPS and now_s < self._next_step_s:
            return False
        self._steps += 1
        self._next_step_s = now_s + _STEP_EVERY_S
        return True

    def rotated(self, segment: Segment | None) -> None:
        """A new segment took over; after a step its first rows are flagged."""
        self._behind.clear()
        self._unflagged = {}
        if self._is_stepping and segment is not None:
            self._unflagged = {id(bank): np.ones(bank.count, bool) for bank in segment.banks}
        self._is_stepping = False

    def straighten(self, segment: Segment, bank: Bank, block: Block, notes: Notes) -> Block:
        """Return ``block`` fit to be stored; what was changed is told in the messages."""
        moved_block, moved = rising(block, bank.last_ns[block.slots], segment.start_ns - LATEST_NS)
        for slot, row in np.argwhere(moved):
            came, kept = int(block.start_ns[slot, row]), int(moved_block.start_ns[slot, row])
            name = segment.name_of(bank, block.slots.start + int(slot))
            notes.message(
                came,
                "clock step",
                f"{name}: the gate that began {iso(came)} ({came} ns) is stored at {kept} ns",
            )
        self._remember(bank, block, moved)
        waiting = self._unflagged.get(id(bank))
        if waiting is None:
            return moved_block
        fresh = waiting[block.slots].copy()
        waiting[block.slots] = False
        if not waiting.any():
            del self._unflagged[id(bank)]
        first = np.zeros_like(moved)
        first[:, 0] = fresh
        return stepped(moved_block, first)

    def _remember(
        self, bank: Bank, block: Block, moved: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
    ) -> None:
        key = (id(bank), block.slots.start)
        if moved[:, -1].any():
            self._behind[key] = int(block.start_ns[0, -1])
        else:
            self._behind.pop(key, None)


def rows_before(block: Block, end_ns: int) -> int:
    """How many rows of ``block`` start before ``end_ns`` in every table."""
    start = block.words[0]
    # Times rise as a rule: the last row decides; a block of one row needs no more.
    if max(start[:, -1].tolist()) < end_ns and (start.shape[1] == 1 or int(start.max()) < end_ns):
        return int(start.shape[1])
    return int((start < end_ns).all(axis=0).argmin())
