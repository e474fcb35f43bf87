"""The handover: what the next person has to know, the root cause first."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from labref.config.lab import Lab
from labref.model.note import HANDS_OFF, HANDS_ON, Note, note_of
from labref.model.text import duration, quantity
from labref.model.times import NS_PER_DAY, NS_PER_S, iso, parse_iso
from labref.model.verdict import State
from labref.report.causes import Incident, incidents
from labref.report.lab_changes import LabChange, Version, lab_changes, versions
from labref.report.levels import Availability, Level, availability, levels
from labref.trace.reader import Trace
from labref.trace.records import Message

# A reference whose last independent check is older than this is due (common practice, no source).
CHECK_DAYS = 180
AHEAD_DAYS = 14


@dataclass(frozen=True, slots=True)
class Light:
    """One transition over the span: last state and why, how much of the time it was good.

    ``drift_hz_s``: slope of the good gates' detuning; NaN where there are too few.
    """

    name: str
    state: State
    reason: str
    availability: Availability
    drift_hz_s: float


@dataclass(frozen=True, slots=True)
class Handover:
    """Everything of one handover, the costliest incident first."""

    start_ns: int
    stop_ns: int
    incidents: tuple[Incident, ...]
    lights: tuple[Light, ...]
    levels: tuple[Level, ...]
    open_alarms: tuple[str, ...]
    hands: tuple[Note, ...]
    notes: tuple[Note, ...]
    integers: tuple[str, ...]
    settings: tuple[str, ...]
    lab_changes: tuple[LabChange, ...]
    due: tuple[str, ...]

    @property
    def first_line(self) -> str:
        """The root cause of the costliest incident, or that there was none."""
        if not self.incidents:
            hours = duration((self.stop_ns - self.start_ns) / NS_PER_S)
            return f"Nothing was lost in the last {hours}."
        worst = self.incidents[0]
        count = len(worst.transitions)
        who = ", ".join(worst.transitions) if count <= 5 else f"{count} transitions"
        return (
            f"{worst.cause} - {who} not good, {duration(worst.lost_s)} lost in all, "
            f"first at {iso(worst.begin_ns, 0)}"
        )


def handover(trace: Trace, lab: Lab, start_ns: int, stop_ns: int) -> Handover:
    """Gather it from a record. ``lab``: the record's newest lab file. Raises TraceError."""
    # Whoever leaves a note does so after the newest gate.
    messages = trace.messages(start_ns)
    notes = [n for m in messages if (n := note_of(m.time_ns, m.kind, m.text)) is not None]
    files = versions(trace, start_ns, stop_ns)
    return Handover(
        start_ns,
        stop_ns,
        tuple(incidents(trace, lab, start_ns, stop_ns)),
        tuple(_light(trace, name, start_ns, stop_ns) for name in trace.transitions),
        levels(trace, lab, start_ns, stop_ns),
        _open_alarms(messages),
        _standing(notes),
        tuple(note for note in notes if note.kind == "note"),
        (*_integers(files), *_told(messages)),
        tuple(m.text for m in messages if m.kind == "fault" and ": settings" in m.text),
        lab_changes(files),
        _due(lab, stop_ns),
    )


def text(found: Handover, armed: Mapping[str, Any] | None = None) -> str:
    """The handover as plain text. ``armed``: a running session's answer, None where none runs."""
    lines = [found.first_line, ""]
    lines += _section("Other incidents", [_incident(one) for one in found.incidents[1:6]])
    lines += _section("States", [_state(light) for light in found.lights])
    lines += _section(
        "Availability against the 7 days before", [_available(light) for light in found.lights]
    )
    none = 'no channel tells one (a unit in dB, or kind = "beat level")'
    lines += _section(
        "Beat levels against the 7 days before", [_level(one) for one in found.levels], none
    )
    lines += _section("Open alarms", found.open_alarms, "none")
    lines += _section(
        "Hands on (alarms shelved)", [f"{n.about}: {n.by}, {n.text}" for n in found.hands]
    )
    lines += _section("Armed", _armed(armed), "nothing" if armed is not None else "no session runs")
    lines += _section("Integers renewed or void", found.integers, "none")
    lines += _section("Settings that changed", found.settings)
    lines += _section("Lines of the lab file that changed", _changed(found.lab_changes), "none")
    lines += _section("Calibrations due", found.due, "none")
    lines += _section("Notes", [f"{iso(n.time_ns, 0)} {n.line}" for n in found.notes])
    return "\n".join(lines).rstrip() + "\n"


def _section(title: str, lines: Sequence[str], nothing: str = "") -> list[str]:
    shown = list(lines) or ([nothing] if nothing else [])
    return [title, *(f"  {line}" for line in shown), ""] if shown else []


def _incident(one: Incident) -> str:
    return f"{iso(one.begin_ns, 0)} {one.cause} ({len(one.transitions)}, {duration(one.lost_s)})"


def _state(light: Light) -> str:
    why = f" ({light.reason})" if light.reason else ""
    drift = "" if np.isnan(light.drift_hz_s) else f", drift {quantity(light.drift_hz_s)}/s"
    return f"{light.name}: {light.state.word}{why}{drift}"


def _available(light: Light) -> str:
    share = light.availability
    other = max(0.0, 1 - share.good - share.bad)
    now = f"good {share.good:.1%}, bad {share.bad:.1%}, unknown or not recorded {other:.1%}"
    if math.isnan(share.change):
        return f"{light.name}: {now}; nothing was recorded before"
    before = f"the {duration(share.before_s)} before {share.good_before:.1%}"
    return f"{light.name}: {now}; {before}: {100 * share.change:+.1f} points"


def _level(one: Level) -> str:
    if math.isnan(one.mean):
        return f"{one.name}: nothing usable was read"
    now = f"{one.name}: {one.mean:.2f} {one.unit} (lowest {one.lowest:.2f})"
    if math.isnan(one.before):
        return f"{now}; nothing was recorded before"
    return f"{now}; before {one.before:.2f} {one.unit}: {one.change:+.2f}"


def _changed(changes: Sequence[LabChange]) -> list[str]:
    lines = []
    for change in changes:
        who = change.started_by or "not known"
        lines.append(f"{iso(change.begin_ns, 0)}, session started by: {who}")
        lines += [f"  {line}  (written by: {by or 'not known'})" for line, by in change.lines]
    return lines


def _armed(armed: Mapping[str, Any] | None) -> list[str]:
    actuators = (armed or {}).get("actuators", {})
    return [f"{name} by {one['armed_by']}" for name, one in actuators.items() if one["armed_by"]]


def _light(trace: Trace, name: str, start_ns: int, stop_ns: int) -> Light:
    series = trace.series(name, start_ns, stop_ns)
    assert series.state is not None
    assert series.detuning is not None
    last = State(min(int(series.state[-1]), 2)) if len(series) else State.UNKNOWN
    said = trace.validity(name, start_ns, stop_ns)
    reason = "" if last is State.GOOD or not said else said[-1].reason
    good = series.state == State.GOOD
    seconds = (series.start_ns[good] - start_ns) / NS_PER_S
    drift = np.nan
    if good.sum() >= 100 and np.ptp(seconds) > 0:
        drift = float(np.polyfit(seconds - seconds.mean(), series.detuning[good], 1)[0])
    return Light(
        name,
        last,
        reason,
        availability(trace, name, start_ns, stop_ns),
        drift,
    )


def _open_alarms(messages: Sequence[Message]) -> tuple[str, ...]:
    standing: dict[str, str] = {}
    for message in messages:
        key = ": ".join(message.text.split(": ")[:2])
        if message.kind == "alarm raised":
            standing[key] = f"{iso(message.time_ns, 0)} {message.text}"
        elif message.kind == "alarm clear":
            standing.pop(key, None)
    return tuple(standing.values())


def _standing(notes: Sequence[Note]) -> tuple[Note, ...]:
    hands: dict[str, Note] = {}
    for note in notes:
        if note.kind == HANDS_ON:
            hands[note.about] = note
        elif note.kind == HANDS_OFF:
            hands.pop(note.about, None)
    return tuple(hands.values())


def _integers(files: Sequence[Version]) -> list[str]:
    """Where integers differ from one lab file to the next."""
    found: list[str] = []
    before: dict[str, str] = {}
    for version in files:
        now = {
            f"{column.name}: {key.removeprefix('integer_')}": str(value)
            for column in version.layout.transitions
            for key, value in column.attributes.items()
            if key.startswith("integer_")
        }
        if before:
            when = iso(version.begin_ns, 0)
            changed = [(k, before.get(k, "none"), v) for k, v in now.items() if before.get(k) != v]
            found += [f"{when} {k}: {old} -> {v} in the lab file" for k, old, v in changed]
        before = now
    return found


def _told(messages: Sequence[Message]) -> list[str]:
    """What the integer-life check told: void or renewed, when, why; the same again is counted."""
    times: dict[str, list[int]] = {}
    for message in messages:
        if message.kind in ("integer void", "integer renewed"):
            verb = "VOID: " if message.kind == "integer void" else ""
            times.setdefault(f"{verb}{message.text}", []).append(message.time_ns)
    found = []
    for what, when in times.items():
        again = f" ({len(when)} times, last at {iso(when[-1], 0)})" if len(when) > 1 else ""
        found.append(f"{iso(when[0], 0)} {what}{again}")
    return found


def _due(lab: Lab, now_ns: int) -> tuple[str, ...]:
    found = []
    for name, node in lab.references.items():
        if node.parent is not None:
            continue
        if node.checked is None:
            found.append(f"reference {name}: never checked independently")
        elif (now_ns - parse_iso(node.checked)) / NS_PER_DAY > CHECK_DAYS:
            found.append(f"reference {name}: last checked {node.checked}")
    # The register's own table, where its plugin is installed; values only, no import of it.
    for name, entry in (lab.tables.get("calibrations") or {}).items():
        days = (parse_iso(entry.next) - now_ns) / NS_PER_DAY
        if days <= AHEAD_DAYS:
            found.append(f"calibration {name} of {entry.of}: next {entry.next}, by {entry.author}")
    return tuple(found)
