"""What happened: why it was not good, every alarm, relock attempts, faults, gaps, slips."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from labref.model.flags import Flag
from labref.model.text import duration
from labref.model.times import iso
from labref.report import alarms as alarm_list
from labref.report.blocks import Block, Heading, Paragraph, Section, Table
from labref.report.numbers import share
from labref.report.record import Record, flag_counts, holes
from labref.trace.records import Message
from labref.trace.series import Series

_MOST_REASONS = 12
_MOST_HOLES = 60
# Of one series: a channel that a switch visits now and then has a hole between any two visits.
_MOST_OF_ONE = 5


def availability(record: Record) -> Section:
    """Return the seconds by state and reason of every transition."""
    rows = []
    total = (record.stop_ns - record.start_ns) / 1e9
    for name in record.trace.transitions:
        spent: dict[tuple[str, str], float] = {}
        for interval in record.trace.validity(name):
            key = (interval.state.word, interval.reason)
            spent[key] = spent.get(key, 0.0) + (interval.end_ns - interval.begin_ns) / 1e9
        ordered = sorted(spent.items(), key=lambda entry: (-entry[1], entry[0]))
        for (state, reason), seconds in ordered[:_MOST_REASONS]:
            text = reason or ("inside its tolerance" if state == "good" else "no reason stored")
            rows.append((name, state, duration(seconds), share(seconds, total), text))
        rest = ordered[_MOST_REASONS:]
        if rest:
            left = sum(seconds for _, seconds in rest)
            what = f"{len(rest)} more reasons, see the trace"
            rows.append((name, "not good", duration(left), share(left, total), what))
    head = ("transition", "state", "time", "share", "why")
    return Section("Availability", (Table(head, tuple(rows), "", frozenset(("time", "share"))),))


def alarms(record: Record) -> Section:
    """Return every alarm, fault and attempt of the record, in the order of time."""
    messages = record.trace.messages()
    kinds = [message.kind.split(" ")[0] for message in messages]
    by_kind = {
        kind: [m for m, its in zip(messages, kinds, strict=True) if its == kind]
        for kind in ("alarm", "attempt", "fault", "note", "hands")
    }
    blocks: list[Block] = [Heading("Alarms"), *alarm_list.blocks(by_kind["alarm"])]
    for title, kind, none in (
        ("Relock and steering attempts", "attempt", "No output was moved: no attempt."),
        ("Faults", "fault", "No fault was told."),
    ):
        found = by_kind[kind]
        blocks.append(Heading(f"{title} ({len(found)})"))
        blocks.append(_messages(found) if found else Paragraph(none))
    noted = sorted([*by_kind["note"], *by_kind["hands"]], key=lambda m: m.time_ns)
    if noted:
        blocks += [Heading(f"Notes of people, and hands on ({len(noted)})"), _messages(noted)]
    others = [m for m, kind in zip(messages, kinds, strict=True) if kind not in by_kind]
    if others:
        blocks += [Heading(f"Other messages ({len(others)})"), _messages(others)]
    return Section("Alarms, attempts, faults", tuple(blocks))


def _messages(found: Sequence[Message]) -> Table:
    rows = tuple((iso(m.time_ns, 1), m.kind.partition(" ")[2] or m.kind, m.text) for m in found)
    return Table(("time (UTC)", "what", "text"), rows)


def gaps(series: Mapping[str, Series]) -> Section:
    """Return gaps and flags of every channel and transition, and the longest holes."""
    rows = []
    every: list[tuple[int, int, str]] = []
    count = 0
    for name, found in series.items():
        empty = holes(found)
        lost = sum(stop - start for start, stop in empty) / 1e9
        longest = max((stop - start for start, stop in empty), default=0) / 1e9
        slips = int(((found.flags & int(Flag.CYCLE_SLIP)) != 0).sum())
        flags = "; ".join(f"{text}: {count}" for text, count in flag_counts(found).items())
        rows.append(
            (name, str(len(found)), str(int(found.usable.sum())), str(len(empty)),
             duration(lost), duration(longest), str(slips), flags or "none")
        )  # fmt: skip
        longest_first = sorted(((stop - start, start, name) for start, stop in empty), reverse=True)
        every += longest_first[:_MOST_OF_ONE]
        count += len(empty)
    head = ("series", "gates", "usable", "holes", "lost", "longest", "cycle slips", "flags")
    numeric = frozenset(head[1:7])
    blocks: list[Block] = [
        Table(head, tuple(rows), "A hole is time without a usable gate.", numeric)
    ]
    if every:
        shown = sorted(every, reverse=True)[:_MOST_HOLES]
        lines = tuple(
            (name, iso(start, 1), iso(start + length, 1), duration(length / 1e9))
            for length, start, name in sorted(shown, key=lambda hole: (hole[1], hole[2]))
        )
        more = count - len(shown)
        caption = f"The longest holes, at most {_MOST_OF_ONE} of a series" + (
            f"; {more} others are counted above and stand in the trace." if more else "."
        )
        blocks.append(Table(("series", "from (UTC)", "to (UTC)", "length"), lines, caption))
    return Section("Gaps and cycle slips", tuple(blocks))
