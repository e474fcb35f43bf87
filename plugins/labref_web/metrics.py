"""Prometheus text: states as three series of 0 and 1, so that unknown is never a missing line.

Text format 0.0.4. A value that is not known is NaN, which that format has.
"""

from __future__ import annotations

from collections.abc import Iterator

from labref_web.desk import Desk

Sample = tuple[dict[str, str], float | int]


def metrics_text(desk: Desk) -> str:
    """All metrics of this moment."""
    lines: list[str] = []
    for name, kind, what, samples in _families(desk):
        lines.append(f"# HELP {name} {what}")
        lines.append(f"# TYPE {name} {kind}")
        lines += [f"{name}{_labels(labels)} {_number(value)}" for labels, value in samples]
    return "\n".join(lines) + "\n"


def _families(desk: Desk) -> Iterator[tuple[str, str, str, list[Sample]]]:
    state = desk.state
    for noun, items in (
        ("transition", state.transitions),
        ("instrument", state.instruments),
        ("reference", state.references),
    ):
        yield (
            f"labref_{noun}_state",
            "gauge",
            f"1 for the state that the {noun} is in, else 0.",
            [
                ({noun: item.name, "state": word}, int(item.state == word))
                for item in items
                for word in ("good", "bad", "unknown")
            ],
        )
    named = [({"transition": t.name}, t) for t in state.transitions]
    yield (
        "labref_detuning_hertz",
        "gauge",
        "Laser minus target, last gate; NaN when not known.",
        [(label, _or_nan(t.detuning_hz)) for label, t in named],
    )
    yield (
        "labref_detuning_uncertainty_hertz",
        "gauge",
        "Standard uncertainty of the detuning; NaN when not known.",
        [(label, _or_nan(t.u_hz)) for label, t in named],
    )
    yield (
        "labref_distance_in_tolerances",
        "gauge",
        "Distance from the middle in units of the tolerance; 1 is the limit, NaN not known.",
        [(label, _or_nan(t.distance)) for label, t in named],
    )
    yield (
        "labref_alarms",
        "gauge",
        "Alarms that stand.",
        [({}, len(state.alarms))],
    )
    yield (
        "labref_actuator_armed",
        "gauge",
        "1 while a person has armed the actuator.",
        [({"actuator": a.name}, int(a.armed_by is not None)) for a in state.actuators],
    )
    yield (
        "labref_recording",
        "gauge",
        "1 while the trace is written.",
        [({}, int(state.session.recording))],
    )
    yield "labref_passes_total", "counter", "Passes so far.", [({}, state.session.passes)]
    yield (
        "labref_web_requests_total",
        "counter",
        "Requests so far.",
        [({}, desk.counts["requests"])],
    )
    yield (
        "labref_web_stream_readers",
        "gauge",
        "Readers of the stream.",
        [({}, desk.stream.readers)],
    )
    yield (
        "labref_web_stream_dropped_total",
        "counter",
        "Readers dropped as too slow.",
        [({}, desk.stream.dropped)],
    )


def _labels(labels: dict[str, str]) -> str:
    if not labels:
        return ""
    return "{" + ",".join(f'{key}="{_escaped(value)}"' for key, value in labels.items()) + "}"


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")


def _or_nan(value: float | None) -> float:
    return float("nan") if value is None else value


def _number(value: float | int) -> str:
    return {"nan": "NaN", "inf": "+Inf", "-inf": "-Inf"}.get(repr(value), repr(value))
