"""Messages and verdict intervals of an entry, with their texts put together again."""

from __future__ import annotations

from dataclasses import dataclass

from labref.model.verdict import State
from labref.trace.layout import VALIDITY_SUFFIX
from labref.trace.view import Entry


@dataclass(frozen=True, slots=True)
class Message:
    """An event in the trace: when (ns UTC), what kind, and its text."""

    time_ns: int
    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class Interval:
    """A verdict of a transition from ``begin_ns`` to ``end_ns``, and why."""

    begin_ns: int
    end_ns: int
    state: State
    reason: str


def read_messages(entry: Entry, *, reasons: bool = False) -> list[Message]:
    """Messages of an entry in the order they were written.

    Long reasons of intervals are kept as messages too; they are left out unless ``reasons``.
    """
    messages = _messages_by_number(entry).values()
    return [message for message in messages if reasons or message.kind != "reason"]


def read_intervals(entry: Entry, transition: str) -> list[Interval]:
    """Verdict intervals of a transition in the order they were written."""
    table = transition + VALIDITY_SUFFIX
    rows = entry.rows(table)
    if not rows:
        return []
    columns = [
        entry.read(table, name, 0, rows).tolist() for name in ("begin_ns", "end_ns", "state")
    ]
    reasons = [raw.decode() for raw in entry.read(table, "reason", 0, rows).tolist()]
    texts: dict[int, Message] = {}
    if any(reason.startswith("#") for reason in reasons):
        texts = _messages_by_number(entry)
    return [
        Interval(begin, end, State(min(state, 2)), _resolved(reason, texts))
        for begin, end, state, reason in zip(*columns, reasons, strict=True)
    ]


def _messages_by_number(entry: Entry) -> dict[int, Message]:
    rows = entry.rows("messages")
    if not rows:
        return {}
    names = ("number", "time_ns", "kind", "text")
    columns = [entry.read("messages", name, 0, rows).tolist() for name in names]
    found: dict[int, tuple[int, bytes, list[bytes]]] = {}
    for number, time_ns, kind, text in zip(*columns, strict=True):
        found.setdefault(number, (time_ns, kind, []))[2].append(text)
    return {
        number: Message(
            time_ns, kind.decode(errors="replace"), b"".join(parts).decode(errors="replace")
        )
        for number, (time_ns, kind, parts) in found.items()
    }


def _resolved(reason: str, texts: dict[int, Message]) -> str:
    if not reason.startswith("#"):
        return reason
    number = int(reason[1:]) if reason[1:].isdecimal() else 0
    return texts[number].text if number in texts else reason
