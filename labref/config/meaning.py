"""What the tables of a lab file mean together: from a document to a lab, or to its problems.

Read top to bottom, this is the order in which a lab is understood; each step reports all that
it finds wrong and goes on with what is left.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import msgspec

from labref.config import channels as feeds
from labref.config.beat_levels import check_beat_levels
from labref.config.corrections import build_corrections, corrections_of
from labref.config.draft import Draft
from labref.config.equations import Equations
from labref.config.lines import LineTable
from labref.config.load import Document
from labref.config.logs import check_logs
from labref.config.names import check_names
from labref.config.nouns import Lab
from labref.config.provenance import Graph
from labref.config.teeth import check_ceo_signs
from labref.config.transition_witnesses import check_inherited_needs
from labref.config.transitions import build_transitions
from labref.config.uses import check_uses, named_rows
from labref.config.witnesses import build_witnesses, unnamed
from labref.frequency.reference import corrected
from labref.frequency.transitions import Catalogue, Transition, catalogue, from_table
from labref.model.errors import LabFileError


def understand(
    document: Document, lines: Iterable[Transition] = (), *, must_judge: bool = True
) -> Lab:
    """Return the lab that a document describes; raises LabFileError with all its problems.

    ``lines`` are rows that plugins add to the catalogue of transitions. Without ``must_judge`` a
    tolerance that this chain cannot judge (M5) is a warning: planning asks which chain could.
    """
    draft = Draft(document, must_judge=must_judge)
    feeds.build_references(draft)
    feeds.check_instruments(draft)
    feeds.build_channels(draft)
    feeds.check_feeds(draft)
    check_logs(draft)
    build_corrections(draft)
    feeds.check_groups(draft)
    equations = Equations(draft)
    equations.build()
    check_beat_levels(draft)
    build_witnesses(draft, equations)
    check_inherited_needs(draft)
    rows = _catalogue(draft, lines)
    build_transitions(draft, equations, rows)
    unnamed(draft)
    check_ceo_signs(draft)
    check_uses(draft)
    check_names(draft)
    if draft.complaints.problems:
        raise LabFileError(document.file, draft.complaints.problems)
    lab = replace(_lab(draft), rows=named_rows(draft, rows))
    _ask_plugins(draft, lab)
    if draft.complaints.problems:
        raise LabFileError(document.file, draft.complaints.problems)
    return replace(lab, warnings=tuple(sorted(draft.complaints.warnings)))


def _catalogue(draft: Draft, lines: Iterable[Transition]) -> Catalogue:
    """The package's lines, the plugins' and the lab's own, each overruling the former."""
    own = [from_table(_given(table)) for table in draft.document.tables.lines]
    return catalogue().plus(lines).plus(own)


def _given(table: LineTable) -> dict[str, Any]:
    given = msgspec.structs.asdict(table)
    return {key: value for key, value in given.items() if value is not None}


def _ask_plugins(draft: Draft, lab: Lab) -> None:
    """A plugin's table may check itself against the lab: ``check_lab(lab)`` gives (path, what)."""
    for name, table in draft.document.plugin_tables.items():
        # [table.NAME] entries each check themselves, as a plain [table] does.
        many = isinstance(table, dict)
        for key, entry in table.items() if many else (("", table),):
            check = getattr(entry, "check_lab", None)
            if check is not None:
                for path, what in check(lab):
                    where = (name, key, *path) if many else (name, *path)
                    draft.complaints.problem(where, what)


def _lab(draft: Draft) -> Lab:
    document, tables = draft.document, draft.document.tables
    graph = Graph(dict(draft.edges))
    lasers = {
        name: replace(
            laser,
            equation=corrected(laser.equation, draft.channels, draft.references),
            paths={
                key: corrected(path, draft.channels, draft.references)
                for key, path in laser.paths.items()
            },
            combs=tuple(
                sorted(
                    node.removeprefix("combs.")
                    for node in graph.rests_on(f"lasers.{name}")
                    if node.startswith("combs.")
                )
            ),
        )
        for name, laser in draft.lasers.items()
    }
    return Lab(
        file=document.file,
        text=document.text,
        title=tables.title,
        references=draft.references,
        channels=draft.channels,
        instruments=tables.instruments,
        feeds=draft.feeds,
        logs=tables.logs,
        lasers=lasers,
        transitions=draft.transitions,
        witnesses=draft.witnesses,
        integers=draft.integers,
        alarms=tables.alarms,
        tables=document.plugin_tables,
        dialects=tables.dialects,
        provenance=graph,
        f_reps=draft.f_reps,
        teeth={
            node.removeprefix("lasers."): tooth
            for node, tooth in draft.teeth.items()
            if node.count(".") == 1
        },
        uses={name: table.uses for name, table in tables.transitions.items()},
        planning=tables.planning,
        nightly=tables.nightly,
        corrections=corrections_of(tables),
    )
