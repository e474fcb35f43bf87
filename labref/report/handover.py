"""The handover: what the next person has to know, the root cause first."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from labref.config.lab import Lab
from labref.model.note import HANDS_OFF, HANDS_ON, Note, note_of
from labref.model.text import duration, quantity
from labref.model.times import NS_PER_DAY, NS_PER_S, iso
from labref.model.verdict import State
from labref.report.causes import Incident, incidents
from labref.trace.reader import Trace

WEEK_NS = 7 * NS_PER_DAY
# A reference whose last independent check is older than this is due (common practice, no source).
CHECK_DAYS = 180
AHEAD_DAYS = 14


@dataclass(frozen=True, slots=True)
class Light:
    """One transition over the span: last state, share of good gates now and a week before.

    ``drift_hz_s``: slope of the good gates' detuning; NaN where there are too few.
    """

    name: str
    state: State
    reason: str
    good: float
    good_before: float
    drift_hz_s: float


@dataclass(frozen=True, slots=True)
class Handover:
    """Everything of one handover, the costliest incident first."""

    start_ns: int
    stop_ns: int
    incidents: tuple[Incident, ...]
    lights: tuple[Light, ...]
    open_alarms: tuple[str, ...]
    hands: tuple[Note, ...]
    notes: tuple[Note, ...]
    integers: tuple[str, ...]
    settings: tuple[str, ...]
    lab_lines: tuple[str, ...]
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
    return Handover(
        start_ns,
        stop_ns,
        tuple(incidents(trace, lab, start_ns, stop_ns)),
        tuple(_light(trace, name, start_ns, stop_ns) for name in trace.transitions),
        _open_alarms(messages),
        _standing(notes),
        tuple(note for note in notes if note.kind == "note"),
        _integers(trace, start_ns, stop_ns),
        tuple(m.text for m in messages if m.kind == "fault" and ": settings" in m.text),
        _lab_lines(trace, start_ns, stop_ns),
        _due(lab, stop_ns),
    )


def text(found: Handover, armed: Mapping[str, Any] | None = None) -> str:
    """The handover as plain text. ``armed``: a running session's answer, None where none runs."""
    lines = [found.first_line, ""]
    lines += _section("Other incidents", [_incident(one) for one in found.incidents[1:6]])
    lines += _section("States", [_state(light) for light in found.lights])
    lines += _section("Open alarms", found.open_alarms, "none")
    lines += _section(
        "Hands on (alarms shelved)", [f"{n.about}: {n.by}, {n.text}" for n in found.hands]
    )
    lines += _section("Armed", _armed(armed), "nothing" if armed is not None else "no session runs")
    lines += _section("Integers renewed or void", found.integers)
    lines += _section("Settings that changed", found.settings)
    lines += _section("Lines of the lab file (who changed them is not recorded)", found.lab_lines)
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
    before = "" if np.isnan(light.good_before) else f", a week ago {light.good_before:.1%}"
    drift = "" if np.isnan(light.drift_hz_s) else f", drift {quantity(light.drift_hz_s)}/s"
    return f"{light.name}: {light.state.word}{why}; good {light.good:.1%}{before}{drift}"


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
        _share(trace, name, start_ns, stop_ns),
        _share(trace, name, start_ns - WEEK_NS, stop_ns - WEEK_NS),
        drift,
    )


def _share(trace: Trace, name: str, start_ns: int, stop_ns: int) -> float:
    """Share of the span's time in good gates; NaN where nothing was recorded."""
    good_ns, any_row = 0, False
    for gate, state in trace.columns(name, ("gate_ns", "state"), start_ns, stop_ns):
        any_row |= bool(len(state))
        good_ns += int(gate[state == State.GOOD].sum())
    return min(1.0, good_ns / (stop_ns - start_ns)) if any_row else float("nan")


def _open_alarms(messages: Sequence[Any]) -> tuple[str, ...]:
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


def _integers(trace: Trace, start_ns: int, stop_ns: int) -> tuple[str, ...]:
    """Where a record's integers differ from one layout to the next."""
    found: list[str] = []
    before: dict[str, str] = {}
    for entry in trace.entries(start_ns, stop_ns):
        now = {
            f"{column.name}: {key.removeprefix('integer_')}": str(value)
            for column in entry.layout.transitions
            for key, value in column.attributes.items()
            if key.startswith("integer_")
        }
        if before:
            found += [f"{k}: {before.get(k)} -> {v}" for k, v in now.items() if before.get(k) != v]
        before = now
    return tuple(dict.fromkeys(found))


def _lab_lines(trace: Trace, start_ns: int, stop_ns: int) -> tuple[str, ...]:
    found: list[str] = []
    before: str | None = None
    for entry in trace.entries(start_ns, stop_ns):
        now = entry.layout.lab_text
        if before is not None and now != before:
            changes = difflib.unified_diff(before.split("\n"), now.split("\n"), n=0, lineterm="")
            found += [c for c in changes if c[:1] in "+-" and c[:3] not in ("+++", "---")]
        before = now
    return tuple(found)


def _due(lab: Lab, now_ns: int) -> tuple[str, ...]:
    from labref.model.times import parse_iso

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
