"""Every alarm of a record, raised and cleared put together, in as few pages as it takes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from labref.model.text import duration
from labref.model.times import iso
from labref.report.blocks import Block, Paragraph, Table
from labref.trace.records import Message

# A kind of alarm that came more often is listed by its times, in running text.
_MOST_ROWS = 40


@dataclass(frozen=True)
class Raised:
    """One alarm: whose, of which kind, from when until when (None: not cleared), what it said."""

    subject: str
    kind: str
    begin_ns: int
    end_ns: int | None
    text: str

    @property
    def lasted(self) -> str:
        """How long it stood, as text."""
        if self.end_ns is None:
            return "not cleared"
        return duration((self.end_ns - self.begin_ns) / 1e9)


def paired(messages: Iterable[Message]) -> list[Raised]:
    """Return the alarms of messages "alarm raised" and "alarm clear", in the order of time."""
    standing: dict[tuple[str, str], Raised] = {}
    found: list[Raised] = []
    for message in messages:
        subject, kind, text = (*message.text.split(": ", 2), "", "")[:3]
        key = (subject, kind)
        before = standing.pop(key, None)
        if message.kind == "alarm raised":
            if before is not None:
                found.append(before)
            standing[key] = Raised(subject, kind, message.time_ns, None, text)
        elif before is not None:
            found.append(Raised(subject, kind, before.begin_ns, message.time_ns, before.text))
    found += standing.values()
    return sorted(found, key=lambda alarm: (alarm.begin_ns, alarm.subject, alarm.kind))


def blocks(messages: Sequence[Message]) -> list[Block]:
    """Return a table of counts, a table of all rare alarms, and the times of frequent ones."""
    alarms = paired(messages)
    if not alarms:
        return [Paragraph("No alarm was raised.")]
    groups: dict[tuple[str, str], list[Raised]] = {}
    for alarm in alarms:
        groups.setdefault((alarm.subject, alarm.kind), []).append(alarm)
    counts = tuple(
        (subject, kind, str(len(group)), str(sum(a.end_ns is None for a in group)))
        for (subject, kind), group in sorted(groups.items())
    )
    head = ("transition", "alarm", "times", "not cleared")
    found: list[Block] = [Table(head, counts, "", frozenset(head[2:]))]
    rare = [a for a in alarms if len(groups[a.subject, a.kind]) <= _MOST_ROWS]
    if rare:
        rows = tuple((iso(a.begin_ns, 1), a.lasted, a.subject, f"{a.kind}: {a.text}") for a in rare)
        found.append(Table(("raised (UTC)", "for", "transition", "alarm"), rows))
    for (subject, kind), group in sorted(groups.items()):
        if len(group) > _MOST_ROWS:
            found.append(Paragraph(f"{subject}, {kind} ({len(group)}): {_times(group)}.", "note"))
    return found


def _times(group: Sequence[Raised]) -> str:
    """Times of day and lengths, the date where it changes."""
    parts = []
    day = ""
    for alarm in group:
        date, clock = iso(alarm.begin_ns, 1)[:-1].split("T")
        stamp = clock if date == day else f"{date} {clock}"
        day = date
        parts.append(f"{stamp} for {alarm.lasted}")
    return ", ".join(parts)
