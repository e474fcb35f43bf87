"""Payloads: plain JSON of readings, states and alarms, as documented in the README."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np

from labref.model.readings import Readings
from labref.model.result import Result
from labref.model.times import iso
from labref.model.verdict import Alarm, State


def encoded(message: dict[str, Any]) -> bytes:
    """One line of strict JSON: NaN and infinity have become null before."""
    return json.dumps(message, allow_nan=False, separators=(",", ":")).encode()


def gates(name: str, nominal: str, unit: str, readings: Readings) -> dict[str, Any]:
    """Gates of one channel; offsets are float64 from the exact ``nominal``."""
    return {
        "kind": "gates",
        "channel": name,
        "nominal": nominal,
        "unit": unit,
        "start_ns": readings.start_ns.tolist(),
        "stop_ns": readings.stop_ns.tolist(),
        "stop": iso(int(readings.stop_ns[-1])),
        "offset": [_known(x) for x in readings.offset.tolist()],
        "flags": readings.flags.tolist(),
        "errors": None
        if readings.errors is None
        else [_known(x) for x in readings.errors.tolist()],
    }


def state(result: Result) -> dict[str, Any]:
    """The newest gate of a transition: its state and why, frequency and detuning."""
    block, last = result.frequencies, len(result.frequencies) - 1
    word = State(int(result.states[last]))
    reason = result.reason(last)
    return {
        "kind": "state",
        "transition": block.transition,
        "state": word.word,
        "reason": reason.text,
        "clears": reason.clears,
        "cause": reason.kind,
        "leans_on": list(result.leans_on) if word is State.GOOD else [],
        "start_ns": int(block.start_ns[last]),
        "stop_ns": int(block.stop_ns[last]),
        "stop": iso(int(block.stop_ns[last])),
        "nominal_hz": block.nominal_text,
        "offset_hz": _known(float(block.offset[last])),
        "detuning_hz": _known(float(block.detuning[last])),
        "u_hz": _known(float(np.hypot(block.errors[last], block.u_constant_hz))),
    }


def alarm(alarm: Alarm) -> dict[str, Any]:
    """An alarm that was raised or cleared."""
    return {
        "kind": "alarm",
        "subject": alarm.subject,
        "cause": alarm.kind,
        "level": alarm.level.value,
        "since_ns": alarm.since_ns,
        "since": iso(alarm.since_ns),
        "message": alarm.message,
        "clears": alarm.clears,
    }


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


def topic_of(name: str) -> str:
    """A name as one level of a topic: what MQTT reserves becomes %XX."""
    return "".join(f"%{ord(c):02X}" if c in "/+#%\0" else c for c in name)
