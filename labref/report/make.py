"""The whole page, from traces to HTML text: read this file from top to bottom.

Nothing here asks for the time, a random number or the order of a set: the same traces and the
same software give the same bytes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol

from labref.model.deviation import Deviation
from labref.model.errors import InputError, TraceError
from labref.model.text import duration
from labref.model.times import iso
from labref.report import chain, characterisation, equipment, events, frequency, nights, noise
from labref.report.blocks import Block, Paragraph, Section, Table
from labref.report.characterisation import is_characterisation
from labref.report.nights import is_nights
from labref.report.page import render
from labref.report.record import Parse, Record, record_of
from labref.stability.masks import Mask
from labref.stability.series import Series
from labref.trace.reader import open_trace

Progress = Callable[[str], None]


class ReportSection(Protocol):
    """What a plugin's ``register_report_sections`` returns: a title and its blocks.

    ``blocks(record)`` gets a `labref.report.record.Record` and returns blocks of
    `labref.report.blocks`; it must give the same from the same record.
    """

    title: str

    def blocks(self, record: Record) -> Sequence[Block]:
        """Return what the section says; none leaves it out."""
        ...


@dataclass(frozen=True)
class Choice:
    """How a report is made: masks drawn into every figure, sections of plugins, versions."""

    masks: tuple[Mask, ...] = ()
    extra: tuple[ReportSection, ...] = ()
    versions: tuple[tuple[str, str], ...] = ()


def make(
    paths: Iterable[Path], parse: Parse, choice: Choice, progress: Progress = lambda _text: None
) -> str:
    """Return the page about traces, folders of `labref characterise` or of nights, at ``paths``.

    Raises TraceError, InputError.
    """
    found = list(paths)
    plans = [path for path in found if is_characterisation(path)]
    weeks = [path for path in found if is_nights(path)]
    others = {*plans, *weeks}
    with ExitStack() as stack:
        traces = [stack.enter_context(open_trace(path)) for path in found if path not in others]
        records = [record_of(trace, parse) for trace in traces]
        sections = [part for path in plans for part in characterisation.sections(path)]
        sections += [part for path in weeks for part in nights.sections(path)]
        for record in records:
            own = _sections(record, choice, progress)
            if len(records) > 1:
                own = [replace(part, title=f"{record.name}: {part.title}") for part in own]
            sections += own
        titles = [record.lab.title for record in records if record.lab and record.lab.title]
        titles += [record.name for record in records] + [
            characterisation.title_of(path) for path in plans
        ]
        titles += [nights.title_of(path) for path in weeks]
        spans = "; ".join(
            f"{record.name}: {iso(record.start_ns, 0)} to {iso(record.stop_ns, 0)} "
            f"({duration((record.stop_ns - record.start_ns) / 1e9)})"
            for record in records
        )
    if not records:
        sections.append(Section("Software", (Table(("package", "version"), choice.versions),)))
    return render(f"Report: {titles[0]}", spans, sections)


def _sections(record: Record, choice: Choice, progress: Progress) -> list[Section]:
    trace = record.trace
    gates = {name: trace.series(name) for name in trace.transitions}
    series: dict[str, Series] = {}
    devs: dict[str, Deviation] = {}
    why: dict[str, str] = {}
    for name in gates:
        progress(f"{name}: deviations")
        try:
            series[name] = noise.series_for(record, name)
            devs[name] = noise.deviation_of(series[name])
        except (InputError, TraceError) as error:
            why[name] = str(error)
    found = [frequency.overview(record, gates, devs), chain.section(record)]
    for name in gates:
        progress(f"{name}: figures")
        found.append(frequency.section(record, name, gates[name], devs.get(name)))
        if name in devs:
            found.append(noise.section(record, name, series[name], devs[name], choice.masks))
        else:
            said = Paragraph(f"No deviations: {why[name]}.", "warning")
            found.append(Section(f"{name}: noise and drift", (said,)))
    progress("alarms, gaps, checksums")
    channels = {name: trace.series(name) for name in trace.channels}
    found += [
        events.availability(record),
        events.alarms(record),
        events.gaps({**gates, **channels}),
        equipment.counters(record),
        *_of_plugins(record, choice.extra),
        equipment.software(record, dict(choice.versions)),
        equipment.lab_file(record),
        equipment.checksums(record),
    ]
    if trace.damage:
        lines = tuple(f"{path.name}: {text}" for path, text in sorted(trace.damage.items()))
        text = f"Files that cannot be read, their time is missing here: {'; '.join(lines)}."
        found.insert(0, Section("Damage", (Paragraph(text, "warning"),)))
    return found


def _of_plugins(record: Record, extra: Iterable[ReportSection]) -> list[Section]:
    """Sections of plugins; one that fails says so and takes nothing else down."""
    found = []
    for part in extra:
        title = str(getattr(part, "title", type(part).__name__))
        try:
            section = Section(title, tuple(part.blocks(record)))
            render("", "", [section])  # a block of another kind is refused here, not later
        except Exception as error:  # noqa: BLE001 - a plugin must not take the report down
            text = f"This section could not be made: {error!r}."
            section = Section(title, (Paragraph(text, "warning"),))
        if section.blocks:
            found.append(section)
    return found


def sections_of(answers: Iterable[tuple[str, Any]]) -> tuple[ReportSection, ...]:
    """Return the sections that plugins registered, in order."""
    return tuple(part for _, parts in answers for part in parts)
