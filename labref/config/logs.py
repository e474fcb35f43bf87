"""Logs of a lab file: which column feeds which channel, and from when the rows count."""

from __future__ import annotations

from fractions import Fraction

from labref.config.complaints import did_you_mean
from labref.config.draft import Draft
from labref.config.locate import Path
from labref.config.schema import LogTable
from labref.model.exact import exact_text
from labref.model.times import NS_PER_S


def check_logs(draft: Draft) -> None:
    """Every column feeds one channel, every channel has one log per file, every row a time."""
    fed: dict[tuple[str, str], str] = {}
    for name, table in draft.document.tables.logs.items():
        _check_columns(draft, name, table, fed)
        _check_units(draft, name, table)
        _check_time(draft, name, table)


def _check_columns(
    draft: Draft, log: str, table: LogTable, fed: dict[tuple[str, str], str]
) -> None:
    columns: dict[int | str, str] = {}
    for channel, column in table.columns.items():
        path: Path = ("logs", log, "columns", channel)
        if not draft.declared("channels", channel):
            near = did_you_mean(channel, draft.document.names("channels"))
            draft.complaints.problem(path, f"no channel {channel!r}{near}")
        if isinstance(column, int) and column < 1:
            draft.complaints.problem(path, f"columns are counted from 1, not {column}")
        other = columns.setdefault(column, channel)
        if other != channel:
            draft.complaints.problem(path, f"column {column!r} already feeds {other!r}")
        before = fed.setdefault((channel, table.files), log)
        if before != log:
            draft.complaints.problem(
                path, f"log {before!r} already feeds {channel!r} from the same files"
            )


def _check_units(draft: Draft, log: str, table: LogTable) -> None:
    for channel in table.units:
        if channel not in table.columns:
            draft.complaints.problem(
                ("logs", log, "units", channel),
                f"no column {channel!r}{did_you_mean(channel, table.columns)}",
            )


def _check_time(draft: Draft, log: str, table: LogTable) -> None:
    path: Path = ("logs", log)
    if table.time is not None:
        if table.time.format == "seconds" and table.time.zero is None:
            draft.complaints.problem(
                (*path, "time"), "'zero' is missing: the date and time from which seconds count"
            )
        return
    if table.start is None:
        draft.complaints.problem(
            path, "'start' is missing: without a time column the rows are gates from a start on"
        )
    gates = _gates(draft, table)
    if table.gate_s is not None and (wrong := _unlike(draft, table)):
        draft.complaints.problem(
            (*path, "gate_s"),
            f"gates of {table.gate_s} s, but channel {wrong[0]!r} has gates of {wrong[1]} s: "
            "without a time column the rows are consecutive gates",
        )
    if table.gate_s is None and len(gates) > 1:
        draft.complaints.problem(
            path, "its channels have different gates and it has no time column: gate_s"
        )


def _unlike(draft: Draft, table: LogTable) -> tuple[str, str] | None:
    """The first channel whose gate is another one, and its gate in s."""
    for name in table.columns:
        channel = draft.channels.get(name)
        if channel is None:
            continue
        gate_s = Fraction(channel.gate_ns, NS_PER_S)
        if gate_s != Fraction(table.gate_s or 0):
            return name, exact_text(gate_s)
    return None


def _gates(draft: Draft, table: LogTable) -> set[int]:
    channels = (draft.channels.get(name) for name in table.columns)
    return {channel.gate_ns for channel in channels if channel is not None}
