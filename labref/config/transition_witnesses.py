"""Which witnesses a transition needs, and whether the named ones serve (M1, M2, M4, M19)."""

from __future__ import annotations

from dataclasses import replace

from labref.config.draft import Draft
from labref.config.locate import Path
from labref.config.nouns import Witness
from labref.config.schema import TransitionTable
from labref.config.witnesses import dependence
from labref.frequency.equation import Equation
from labref.frequency.reference import nodes_of


def find_witnesses(
    draft: Draft,
    name: str,
    table: TransitionTable,
    tap: Equation,
    plane: Equation,
    asserted: bool,
) -> tuple[tuple[Witness, ...], tuple[Witness, ...]]:
    """Return (witnesses, needs) of a transition; everything wrong with them is reported."""
    path: Path = ("transitions", name)
    witnesses = _named(draft, table.witnesses, (*path, "witnesses"))
    needs = _named(draft, table.needs, (*path, "needs"))
    for index, witness in witnesses:
        reason = dependence(draft, witness, table.laser, tap)
        if reason is not None:
            draft.complaints.problem(
                (*path, "witnesses", index),
                f"{witness.name!r} is no independent witness: {reason} (M2)",
            )
    for index, need in needs:
        if need.kind != "level":
            draft.complaints.problem(
                (*path, "needs", index),
                f"{need.name!r} compares a frequency: name it under witnesses (needs are levels)",
            )
    if not table.witnesses:
        _require_one(draft, path, tap, plane, asserted)
    elif not any(w.kind == "frequency" for _, w in witnesses) and len(witnesses) == len(
        table.witnesses
    ):
        _require_frequency(draft, path, plane)
    return tuple(w for _, w in witnesses), tuple(n for _, n in needs)


def _named(draft: Draft, names: list[str], path: Path) -> list[tuple[int, Witness]]:
    found = []
    for index, name in enumerate(names):
        if name in names[:index]:
            draft.complaints.problem((*path, index), f"{name!r} is named twice")
        elif draft.declared("witnesses", name) and name in draft.witnesses:
            found.append((index, draft.witnesses[name]))
    return found


def _require_one(draft: Draft, path: Path, tap: Equation, plane: Equation, asserted: bool) -> None:
    if asserted:
        draft.complaints.problem(
            path,
            f"'witnesses' is missing: every term ({', '.join(tap.channels)}) is in-loop, set or "
            "assumed, so the frequency is only asserted and needs an independent witness (M1)",
        )
    elif plane.integers:
        draft.complaints.problem(
            path,
            f"'witnesses' is missing: the frequency rests on {', '.join(plane.integers)}, only an "
            "independent witness can tell a wrong one (M1, M19)",
        )


def _require_frequency(draft: Draft, path: Path, plane: Equation) -> None:
    """A level cannot tell one tooth or sign from another: undated integers need a frequency."""
    undated = [name for name in plane.integers if draft.integers[name].found_ns is None]
    if undated:
        draft.complaints.problem(
            (*path, "witnesses"),
            f'levels cannot vouch for {", ".join(undated)}: a witness of kind "frequency", or '
            "dated evidence for it, is needed (M19)",
        )


def inherited_needs(
    draft: Draft, plane: Equation, have: tuple[Witness, ...]
) -> tuple[Witness, ...]:
    """Level witnesses that channels and references of ``plane`` need, without those in ``have``."""
    names: dict[str, None] = {}
    tables = draft.document.tables
    for channel in plane.channels:
        if channel in tables.channels:
            names.update(dict.fromkeys(tables.channels[channel].needs))
        for node in nodes_of(draft.channels[channel], draft.references):
            names.update(dict.fromkeys(tables.references[node.name].needs))
    known = {witness.name for witness in have}
    return tuple(
        replace(draft.witnesses[name], outside=draft.witnesses[name].outside or "unknown")
        for name in names
        if name in draft.witnesses and name not in known
    )


def check_inherited_needs(draft: Draft) -> None:
    """What a reference or a channel needs exists and is a level."""
    tables = draft.document.tables
    places = [(("references", name), table.needs) for name, table in tables.references.items()]
    places += [(("channels", name), table.needs) for name, table in tables.channels.items()]
    for place, needs in places:
        for index, name in enumerate(needs):
            path: Path = (*place, "needs", index)
            draft.declared("witnesses", name)
            witness = draft.witnesses.get(name)
            if witness is not None and witness.kind != "level":
                draft.complaints.problem(path, f'{name!r} is no witness of kind "level"')
