"""Witnesses: what each compares, and whether it is independent of what it vouches for (M1, M2)."""

from __future__ import annotations

from fractions import Fraction

from labref.config.correction import CorrectionTable, corrected_display, with_correction
from labref.config.corrections import check_correction, reading
from labref.config.draft import Draft, NotBuilt
from labref.config.equations import Equations
from labref.config.locate import Path
from labref.config.nouns import Witness
from labref.config.paths import build_route
from labref.config.provenance import Graph, why_dependent
from labref.config.schema import WitnessTable
from labref.config.standards import standards
from labref.config.teeth import check_sharp_enough
from labref.frequency.equation import Equation
from labref.frequency.uncertainty import budget
from labref.model.channel import Loop
from labref.model.text import quantity
from labref.model.times import seconds_to_ns

_KEYS_OF_KIND = {
    "frequency": ("limits", "outside"),
    "level": ("within", "via", "laser", "path"),
}


def build_witnesses(draft: Draft, equations: Equations) -> None:
    """Build every witness that is in order, and its edges in the provenance graph."""
    for name, table in draft.document.tables.witnesses.items():
        path: Path = ("witnesses", name)
        try:
            _check_keys(draft, table, path)
            draft.witnesses[name] = (
                _frequency(draft, equations, name, table)
                if table.kind == "frequency"
                else _level(draft, name, table)
            )
        except NotBuilt:
            continue


def _check_keys(draft: Draft, table: WitnessTable, path: Path) -> None:
    before = len(draft.complaints.problems)
    for key in _KEYS_OF_KIND[table.kind]:
        if getattr(table, key):
            draft.complaints.problem(
                (*path, key), f'{key} has no meaning for a witness of kind "{table.kind}"'
            )
    if len(draft.complaints.problems) > before:
        raise NotBuilt


def _level(draft: Draft, name: str, table: WitnessTable) -> Witness:
    path: Path = ("witnesses", name)
    if table.channel is None:
        raise draft.fail(path, "'channel' is missing: whose level is watched")
    channel = draft.find("channels", table.channel, draft.channels)
    if table.limits is None:
        raise draft.fail(
            path, "'limits' is missing: [lowest, highest] offset from the channel's nominal"
        )
    low, high = table.limits
    if not low < high:
        raise draft.fail((*path, "limits"), f"[{low}, {high}]: the lower limit is smaller")
    if channel.assumed:
        raise draft.fail((*path, "channel"), f"channel {channel.name!r} is assumed: no witness")
    # Its scale rests on what calibrates it; only without such a statement on its counter.
    node = f"witnesses.{name}"
    if table.calibrated_by is None:
        draft.rest(node, f"channels.{channel.name}")
    else:
        draft.rest(node, *standards(draft, table.calibrated_by, (*path, "calibrated_by")))
    return Witness(
        name,
        channel.name,
        "level",
        limits=(float(low), float(high)),
        max_age_ns=seconds_to_ns(Fraction(table.max_age_s)),
        calibrated_by=table.calibrated_by,
        outside=table.outside,
    )


def _frequency(draft: Draft, equations: Equations, name: str, table: WitnessTable) -> Witness:
    path: Path = ("witnesses", name)
    if table.laser is None:
        raise draft.fail(path, "'laser' is missing: whose frequency is compared")
    if table.within is None:
        raise draft.fail(path, "'within' is missing: how well both must agree, in Hz")
    equations.laser(table.laser, (*path, "laser"))
    if (table.channel is None) == (table.via is None):
        raise draft.fail(
            path, "exactly one of channel (a wavemeter) and via (another path) is meant"
        )
    node = f"witnesses.{name}"
    draft.rest(node)
    plane = (
        _by_channel(draft, table, node, path)
        if table.channel is not None
        else _by_path(draft, table, node, path)
    )
    route = build_route(draft, equations, table.path, f"{node}.path", (*path, "path"))
    equation = route.backward(plane, f"{table.laser} by {name}")
    u_hz = budget(equation, draft.channels, draft.references).constant_hz
    u_hz = with_correction(u_hz, table.correction)
    within = float(table.within)
    if u_hz > within:
        draft.complaints.warning(
            (*path, "within"),
            f"the witness itself is uncertain by {quantity(u_hz, sign=False)}: it will often "
            "disagree",
        )
    check_sharp_enough(draft, table.laser, within, u_hz, (*path, "within"))
    channel = table.channel or plane.channels[0]
    return Witness(
        name,
        channel,
        "frequency",
        laser=table.laser,
        within_hz=within,
        max_age_ns=seconds_to_ns(Fraction(table.max_age_s)),
        equation=equation,
        calibrated_by=table.calibrated_by,
        u_hz=u_hz,
    )


def _by_channel(draft: Draft, table: WitnessTable, node: str, path: Path) -> Equation:
    assert table.channel is not None
    channel = draft.channel(table.channel, (*path, "channel"))
    if channel.assumed:
        raise draft.fail((*path, "channel"), f"channel {channel.name!r} is assumed: no witness")
    if channel.loop is Loop.IN:
        raise draft.fail(
            (*path, "channel"),
            f"channel {channel.name!r} is in the loop: it proves only that the loop holds (M1)",
        )
    draft.rest(node, f"channels.{channel.name}")
    if table.calibrated_by is None:
        raise draft.fail(
            path,
            "'calibrated_by' is missing: what its scale rests on (a reference, comb, laser or "
            "channel of this file, or in words a standard outside it) (M2)",
        )
    draft.rest(node, *standards(draft, table.calibrated_by, (*path, "calibrated_by")))
    correction = table.correction
    if correction is not None:
        _check_correction(draft, correction, node, (*path, "correction"))
        if draft.document.tables.channels[channel.name].correction is not None:
            raise draft.fail(
                (*path, "correction"),
                f"channel {channel.name!r} has a correction of its own: keep one of them",
            )
    return corrected_display(reading(draft, channel), correction)


def _check_correction(draft: Draft, table: CorrectionTable, node: str, path: Path) -> None:
    check_correction(draft, table, path)
    if table.temperature is not None:
        draft.rest(node, f"channels.{table.temperature}")


def _by_path(draft: Draft, table: WitnessTable, node: str, path: Path) -> Equation:
    assert table.laser is not None
    assert table.via is not None
    laser = draft.lasers.get(table.laser)
    declared = draft.document.tables.lasers[table.laser].paths
    if table.via not in declared:
        known = ", ".join(sorted(declared)) or "none"
        raise draft.fail(
            (*path, "via"), f"laser {table.laser!r} has no path {table.via!r}; known are {known}"
        )
    if laser is None or table.via not in laser.paths:
        raise NotBuilt
    draft.rest(node, f"lasers.{table.laser}.paths.{table.via}")
    return laser.paths[table.via]


def dependence(draft: Draft, witness: Witness, laser: str, equation: Equation) -> str | None:
    """Say why ``witness`` does not vouch for ``laser`` at ``equation``, None if it does."""
    if witness.laser is not None and witness.laser != laser:
        return f"it watches laser {witness.laser!r}, not {laser!r}"
    if witness.kind == "level" and witness.channel in equation.channels:
        return f"its channel {witness.channel!r} is itself part of what it witnesses"
    return why_dependent(Graph(draft.edges), f"witnesses.{witness.name}", f"lasers.{laser}")


def unnamed(draft: Draft) -> None:
    """Warn of witnesses that nothing leans on."""
    for name in draft.document.tables.witnesses:
        if f"witnesses.{name}" not in draft.used:
            draft.complaints.warning(("witnesses", name), "no transition or reference names it")
