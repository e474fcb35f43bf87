"""Corrections of channels: built once, and in every equation in which the channel is."""

from __future__ import annotations

from fractions import Fraction

from labref.config.correction import ChannelCorrectionTable, CorrectionTable
from labref.config.draft import Draft, NotBuilt
from labref.config.locate import Path
from labref.config.schema import LabTables
from labref.config.standards import standards
from labref.frequency.equation import Equation, tap
from labref.model.channel import Channel
from labref.model.exact import exact
from labref.model.times import parse_iso


def build_corrections(draft: Draft) -> None:
    """Make each correction an assumed channel, so that its u stands in budgets, and check it.

    The channel then rests on whatever the correction was found against (M2). One whose correction
    is wrong is not built: nothing is read from it without.
    """
    for name, table in draft.document.tables.channels.items():
        if table.correction is None or name not in draft.channels:
            continue
        try:
            _build(draft, draft.channels[name], table.correction, ("channels", name, "correction"))
        except NotBuilt:
            del draft.channels[name]


def _build(draft: Draft, channel: Channel, table: ChannelCorrectionTable, path: Path) -> None:
    if channel.unit != "Hz" or channel.assumed:
        what = "an assumed value" if channel.assumed else f"a value in {channel.unit}"
        raise draft.fail(path, f"{what} has no correction in Hz")
    check_correction(draft, table, path)
    _check_temperature(draft, table, path)
    own = draft.assume(_name(channel.name), exact(table.hz), u=float(table.u_hz), kind="correction")
    below = standards(draft, table.calibrated_by, (*path, "calibrated_by"))
    if table.temperature is not None:
        below = (*below, f"channels.{table.temperature}")
    draft.rest(f"channels.{own.name}", *below)
    draft.rest(f"channels.{channel.name}", f"channels.{own.name}")


def reading(draft: Draft, channel: Channel) -> Equation:
    """What a channel measures: its displayed value less its declared correction, exact."""
    table = draft.document.tables.channels.get(channel.name)
    correction = None if table is None else table.correction
    shown = tap(channel)
    if correction is None:
        return shown
    slope = exact(correction.hz_per_degree)
    terms = [*shown.terms, (_name(channel.name), Fraction(-1))]
    if correction.temperature is not None:
        terms.append((correction.temperature, -slope))
    return Equation(shown.name, slope * exact(correction.at_degree), tuple(terms))


def check_correction(draft: Draft, table: CorrectionTable, path: Path) -> None:
    """Raise NotBuilt where a correction's temperature or its times do not fit together."""
    if bool(table.hz_per_degree) != (table.temperature is not None):
        raise draft.fail(path, "hz_per_degree and temperature (a channel) belong together")
    begin, end = table.valid_from, table.valid_until
    if begin is not None and end is not None and parse_iso(begin) >= parse_iso(end):
        raise draft.fail((*path, "valid_until"), f"{end} is not after valid_from = {begin}")


def corrections_of(tables: LabTables) -> dict[str, CorrectionTable]:
    """Every declared correction by where it stands: channels.NAME or witnesses.NAME."""
    found: dict[str, CorrectionTable] = {}
    for kind, entries in (("channels", tables.channels), ("witnesses", tables.witnesses)):
        for name, table in entries.items():
            if table.correction is not None:
                found[f"{kind}.{name}"] = table.correction
    return found


def _check_temperature(draft: Draft, table: ChannelCorrectionTable, path: Path) -> None:
    if table.temperature is None:
        return
    warm: Channel = draft.find("channels", table.temperature, draft.channels)
    if warm.hold_ns is None and warm.is_fed:
        raise draft.fail(
            (*path, "temperature"),
            f"channel {warm.name!r} needs hold_s: how long its last value stands",
        )


def _name(channel: str) -> str:
    return f"{channel}.correction"
