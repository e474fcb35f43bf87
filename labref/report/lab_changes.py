"""Which lines of the lab file changed between sessions, when, and by whom as far as is recorded.

Every part of a record holds the whole lab file that it was made with, so that two sessions can be
compared line by line. Who wrote a line is known only where the file says so: a record such as
``evidence`` (``by``) or ``[calibrations.NAME]`` (``author``) that is itself new. Otherwise
there is only whoever started the session, who need not be the one who wrote.
"""

from __future__ import annotations

import difflib
import tomllib
from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from labref.config.locate import Locator, Path
from labref.model.note import STARTED, Note, note_of
from labref.model.times import NS_PER_DAY, NS_PER_S
from labref.trace.layout import TraceLayout
from labref.trace.reader import Trace
from labref.trace.records import read_messages
from labref.trace.select import extent
from labref.trace.view import Entry

# So far back is looked for the file that was in force at the begin of a span.
LONGEST_PAUSE_DAYS = 400
# A session's first gate follows its start within this, or somebody else's session made it.
_SOON_NS = 600 * NS_PER_S
_PERSON = ("by", "author")


class Version(NamedTuple):
    """One lab file of a record: since when (its first gate), how it was read, who started."""

    begin_ns: int
    layout: TraceLayout
    started: Note | None


class ChangedLine(NamedTuple):
    """``line`` begins with + or -; ``by``: who wrote it as the file itself says, or ""."""

    line: str
    by: str


@dataclass(frozen=True, slots=True)
class LabChange:
    """A session began at ``begin_ns`` with another lab file; ``started_by`` "": not known."""

    begin_ns: int
    started_by: str
    lines: tuple[ChangedLine, ...]


def versions(trace: Trace, start_ns: int, stop_ns: int) -> list[Version]:
    """The lab file in force at ``start_ns``, where there was one, and all that followed it."""
    found = _distinct(trace.entries(start_ns, stop_ns))
    first_ns = trace.start_ns
    for days in range(1, LONGEST_PAUSE_DAYS + 1):
        earlier_ns = start_ns - days * NS_PER_DAY
        if (found and found[0].begin_ns <= start_ns) or earlier_ns + 2 * NS_PER_DAY < first_ns:
            break
        found = [*_distinct(trace.entries(earlier_ns, earlier_ns)), *found]
    before = [version for version in found if version.begin_ns <= start_ns]
    return [*before[-1:], *(v for v in found if start_ns < v.begin_ns < stop_ns)]


def lab_changes(known: Iterable[Version]) -> tuple[LabChange, ...]:
    """What changed from each of `versions` to the next; those that say the same are left out."""
    found = []
    before: Version | None = None
    for now in known:
        if before is not None and now.layout.lab_text != before.layout.lab_text:
            by = now.started.by if now.started is not None else ""
            lines = changed_lines(before.layout.lab_text, now.layout.lab_text)
            found.append(LabChange(now.begin_ns, by, lines))
        before = now
    return tuple(found)


def changed_lines(old: str, new: str) -> tuple[ChangedLine, ...]:
    """Lines that left and came, in the order of the file, each with who wrote it."""
    before, now = old.split("\n"), new.split("\n")
    places, values = (_Places(old), _Places(new)), (_values(old), _values(new))
    found = []
    for what, i, i_end, j, j_end in difflib.SequenceMatcher(
        None, before, now, autojunk=False
    ).get_opcodes():
        if what == "equal":
            continue
        for sign, lines, first, end in (("-", before, i, i_end), ("+", now, j, j_end)):
            for number in range(first, end):
                path = places[sign == "+"](number + 1)
                is_value = lines[number].strip()[:1] not in ("", "#")
                author = _author(path, *values) if is_value else ""
                found.append(ChangedLine(f"{sign} {lines[number]}", author))
    return tuple(found)


def _distinct(entries: Iterable[Entry]) -> list[Version]:
    """One version for each run of entries that hold the same file, with rows in them."""
    found: list[Version] = []
    for entry in entries:
        if found and found[-1].layout.lab_text == entry.layout.lab_text:
            continue
        try:
            has = extent([entry])
            begin_ns = entry.origin_ns if has is None else has.start_ns
        except OSError:  # a chunk that cannot be read: the record's own begin is near enough
            begin_ns = entry.origin_ns
        found.append(Version(begin_ns, entry.layout, _starter(entry, begin_ns)))
    return found


def _starter(entry: Entry, begin_ns: int) -> Note | None:
    try:
        told = [note_of(m.time_ns, m.kind, m.text) for m in read_messages(entry)]
    except OSError:
        return None
    near = [n for n in told if n and n.kind == STARTED and abs(n.time_ns - begin_ns) < _SOON_NS]
    return near[0] if near else None


class _Places:
    """The path that a line (from 1) belongs to; () for what stands in no table."""

    def __init__(self, text: str) -> None:
        ordered = sorted((line, len(path), path) for path, line in Locator(text).lines.items())
        first: dict[int, Path] = {}
        for line, _, path in ordered:
            first.setdefault(line, path)
        self._lines = list(first)
        self._paths = list(first.values())

    def __call__(self, line: int) -> Path:
        at = bisect_right(self._lines, line)
        return self._paths[at - 1] if at else ()


def _values(text: str) -> dict[str, Any]:
    return tomllib.loads(text)


def _author(path: Path, old: Mapping[str, Any], new: Mapping[str, Any]) -> str:
    """Who stands in the innermost record around ``path`` that is itself new or made anew."""
    for depth in range(len(path), 1, -1):
        table = _at(new, path[:depth])
        if not isinstance(table, Mapping):
            continue
        person = _person(table)
        if person and _record(table) != _record(_at(old, path[:depth])):
            return person
        # Evidence speaks for the integers that stand beside it.
        beside = table.get("evidence")
        if isinstance(beside, Mapping) and path[depth : depth + 1] in (("n",), ("sign",)):
            before = _at(old, (*path[:depth], "evidence"))
            return _person(beside) if _record(beside) != _record(before) else ""
    return ""


def _person(table: Mapping[str, Any]) -> str:
    return next((str(table[key]) for key in _PERSON if isinstance(table.get(key), str)), "")


def _record(table: Any) -> tuple[object, ...]:
    """What makes a record a new one: who made it, and when."""
    if not isinstance(table, Mapping):
        return ()
    return tuple(table.get(key) for key in (*_PERSON, "found", "date"))


def _at(tables: Any, path: Path) -> Any:
    for part in path:
        try:
            tables = tables[part]
        except (KeyError, IndexError, TypeError):
            return None
    return tables
