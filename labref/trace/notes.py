"""Messages and verdict intervals on their way into a segment."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from labref.trace.bank import Records
from labref.trace.segment import Segment
from labref.trace.texts import fits_reason, message_records


@dataclass(frozen=True, slots=True)
class _Message:
    time_ns: int
    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class _Interval:
    transition: str
    begin_ns: int
    end_ns: int
    state: int
    reason: str


class Notes:
    """Holds messages and intervals until a segment has room for them, in their order.

    Messages are numbered from 1 in each segment. A reason that does not fit its column becomes
    a message; the column then says ``#number``.
    """

    def __init__(self) -> None:
        self._waiting: list[_Message | _Interval] = []
        self._number = 0
        self._numbers: dict[str, int] = {}
        self._begins: dict[str, int] = {}

    @property
    def is_waiting(self) -> bool:
        """Whether something is not stored yet."""
        return bool(self._waiting)

    @property
    def first_ns(self) -> int:
        """Time of the first note that waits."""
        first = self._waiting[0]
        return first.time_ns if isinstance(first, _Message) else first.begin_ns

    @property
    def records_needed(self) -> int:
        """Message records that all waiting notes need at most."""
        return sum(len(_records(note)) for note in self._waiting)

    def message(self, time_ns: int, kind: str, text: str) -> None:
        """Take a message."""
        self._waiting.append(_Message(time_ns, kind, text))

    def interval(
        self, transition: str, begin_ns: int, end_ns: int, state: int, reason: str
    ) -> None:
        """Take an interval; a waiting one with the same begin is replaced."""
        note = _Interval(transition, begin_ns, end_ns, state, reason)
        for index, old in enumerate(self._waiting):
            if isinstance(old, _Interval) and (old.transition, old.begin_ns) == (
                transition,
                begin_ns,
            ):
                self._waiting[index] = note
                return
        self._waiting.append(note)

    def begin_segment(self) -> None:
        """Start numbering anew."""
        self._number = 0
        self._numbers.clear()
        self._begins.clear()

    def write(self, segment: Segment) -> bool:
        """Write all that waits. False: the segment is too full for the rest."""
        while self._waiting:
            note = self._waiting[0]
            done = (
                self._write_message(segment, note)
                if isinstance(note, _Message)
                else self._write_interval(segment, note)
            )
            if not done:
                return False
            self._waiting.pop(0)
        return True

    def _write_message(self, segment: Segment, note: _Message) -> bool:
        records = message_records(self._number + 1, note.time_ns, note.kind, note.text)
        if segment.messages.room < len(records):
            return False
        segment.messages.append(records)
        self._number += 1
        return True

    def _write_interval(self, segment: Segment, note: _Interval) -> bool:
        table = segment.validity[note.transition]
        reason = self._reason(segment, note)
        if reason is None:
            return False
        values: dict[str, Any] = {
            "end_ns": note.end_ns,
            "state": note.state,
            "reason": reason.encode(),
        }
        if self._begins.get(note.transition) == note.begin_ns:
            table.replace_last(**values)
            return True
        return self._append_interval(table, note, values)

    def _append_interval(self, table: Records, note: _Interval, values: dict[str, Any]) -> bool:
        if not table.room:
            return False
        table.append([{"begin_ns": note.begin_ns, **values}])
        self._begins[note.transition] = note.begin_ns
        return True

    def _reason(self, segment: Segment, note: _Interval) -> str | None:
        if fits_reason(note.reason):
            return note.reason
        if note.reason not in self._numbers:
            if not self._write_message(segment, _Message(note.begin_ns, "reason", note.reason)):
                return None
            self._numbers[note.reason] = self._number
        return f"#{self._numbers[note.reason]}"


def _records(note: _Message | _Interval) -> list[dict[str, Any]]:
    if isinstance(note, _Message):
        return message_records(0, note.time_ns, note.kind, note.text)
    return [] if fits_reason(note.reason) else message_records(0, 0, "reason", note.reason)
