"""A lab by script, for the stand-in service: where each laser is, what is said of it, its past.

Every number is invented. Offsets are in units of the tolerance.
"""

from __future__ import annotations

import math
import random
import threading
import time
from datetime import UTC, datetime
from typing import Any

NS = 1_000_000_000
# Name, wavelength in nm, half tolerance in Hz, what nobody watches.
LINES = [
    ("cooling397", 397, 2e6, ["noise"]), ("repump866", 866, 5e6, []), ("quench854", 854, 8e6, []),
    ("clock729", 729, 800.0, []), ("ionise423", 423, 2e7, ["power"]), ("ionise390", 390, 6e7, []),
    ("raman397a", 397, 3e6, []), ("raman397b", 397, 3e6, []), ("cooling423", 423, 4e6, ["noise"]),
    ("repump850", 850, 8e6, []), ("optical732", 732, 900.0, []), ("lattice532", 532, 5e7, []),
]  # fmt: skip


def iso(time_ns: int) -> str:
    """ISO text, to the second."""
    return datetime.fromtimestamp(time_ns / NS, UTC).isoformat(timespec="seconds")


class FakeLab:
    """The lab by script. All methods are safe across threads."""

    def __init__(self, count: int = 5, gate_s: float = 1.0) -> None:
        self.lock = threading.RLock()
        self.lines = LINES[:count]
        self.gate_s = gate_s
        self.sequence = time.time_ns() // 1000
        self.started_ns = self.now_ns = time.time_ns()
        self.offset = {name: random.Random(name).uniform(-0.5, 0.5) for name, *_ in self.lines}
        self.gap: set[str] = set()
        self.doubted: set[str] = set()  # derived well inside, and bad all the same
        self.since = {name: ("good", self.started_ns - 7300 * NS) for name, *_ in self.lines}
        self.alarms: list[dict[str, Any]] = []
        self.shots: list[dict[str, Any]] = []
        self.actuators: list[dict[str, Any]] = []
        self.hands_on: str | None = None
        self.random = random.Random(397)

    def step(self) -> dict[str, Any]:
        """One gate later: the whole state."""
        with self.lock:
            self.now_ns = time.time_ns()
            self.sequence += 1
            transitions = [self._transition(*line) for line in self.lines]
            return {
                "lab": "40Ca+ ion laboratory (invented)", "now_ns": self.now_ns,
                "now": iso(self.now_ns), "sequence": self.sequence,
                "session": {"started_ns": self.started_ns - 93_000 * NS, "recording": True,
                            "rehearsal": False, "problem": None, "passes": self.sequence},
                "transitions": transitions, "alarms": list(self.alarms),
                "references": [self._thing("gnssdo", "good", "locked, u 5e-13")],
                "instruments": [
                    self._thing("counter_a", "good", "readings are fresh"),
                    self._thing("counter_b", "good", "readings are fresh"),
                    self._thing("wavemeter", "unknown", "no fresh reading of wm_397"),
                    self._thing("synth_a", "bad", "link: no answer within 2 s"),
                ],
                "actuators": self.actuators, "hands_on": self.hands_on,
            }  # fmt: skip

    def _thing(self, name: str, state: str, text: str) -> dict[str, Any]:
        return {"name": name, "state": state, "text": text, "u": 5e-13,
                "since_ns": self.started_ns - 480 * NS}  # fmt: skip

    def _transition(self, name: str, nm: int, half: float, unwatched: list[str]) -> dict:
        u = half / 40
        x = None if name in self.gap else self.offset[name] + self.random.gauss(0, 0.02)
        state = "unknown" if x is None else "good" if abs(x) < 1 - 3 / 40 else "bad"
        if name in self.doubted:
            state = "bad"
        if state != self.since[name][0]:
            self.since[name] = (state, self.now_ns)
        reason, clears = {
            "good": ("", ""),
            "bad": (f"outside tolerance by {half * (abs(x or 0) - 1):.0f} Hz",
                    f"a detuning within ±{half - 3 * u:.0f} Hz"),
            "unknown": ("no reading of beat_" + str(nm), "a new reading"),
        }[state]  # fmt: skip
        if name in self.doubted:
            reason, clears = "wrong comb tooth: +250 MHz", "the mode number found anew"
        return {
            "name": name, "title": name, "wavelength_nm": nm, "state": state, "reason": reason,
            "clears": clears, "reasons": [], "since_ns": self.since[name][1],
            "stop_ns": self.now_ns, "detuning_hz": None if x is None else x * half,
            "u_hz": None if x is None else u, "k": 3.0, "plane": "at the atoms",
            "tolerance": {"low_hz": -half, "high_hz": half,
                          "forbidden": [[0.7 * half, half]] if name == "cooling397" else []},
            "distance": None if x is None else abs(x), "nominal_hz": "411042129776400.4",
            "offset_hz": None if x is None else x * half, "gate_ns": int(self.gate_s * NS),
            "target_hz": {"nominal": "411042129776400.4", "offset": 120.0},
            "leans_on": ["wavemeter", "lock_error_729"], "unwatched": unwatched,
            "lasers": [f"laser_{nm}"],
        }  # fmt: skip

    def history(self, name: str, start: int, stop: int, points: int) -> dict[str, Any]:
        """A day with a bad stretch and two gaps, made for the points asked for."""
        half = next(h for n, _, h, _ in self.lines if n == name)
        noise = random.Random(f"{name} {start}")
        columns: dict[str, list] = {
            k: [] for k in ("t_ns", "low_hz", "mean_hz", "high_hz", "state")
        }
        step = (stop - start) // points
        for i in range(1, points + 1):
            t = start + i * step
            if t < self.started_ns - 100_000 * NS or t > self.now_ns:
                continue
            x, spread = self.past(name, t), 0.04 + 0.02 * noise.random()
            known = x is not None
            values = [
                half * (x + d * spread) if known else None for d in (-1, noise.gauss(0, 0.3), 1)
            ]
            for key, value in zip(("low_hz", "mean_hz", "high_hz"), values, strict=True):
                columns[key].append(value)
            columns["t_ns"].append(t)
            columns["state"].append("unknown" if not known else "good" if abs(x) < 0.925 else "bad")
        return columns

    def past(self, name: str, t_ns: int) -> float | None:
        """Where a laser was, in tolerances; None in a gap."""
        ago_s, phase = (self.now_ns - t_ns) / NS, hash_of(name)
        if 1500 < ago_s - 40 * phase < 1800 or 30_000 < ago_s - 900 * phase < 33_000:
            return None
        bump = 1.6 * math.exp(-(((ago_s - 2600 - 90 * phase) / 160) ** 2)) if phase % 3 == 0 else 0
        return self.offset[name] + 0.25 * math.sin(ago_s / 900 + phase) + bump

    def strip(self, name: str, start: int, stop: int, cells: int) -> dict[str, Any]:
        """The same day in cells."""
        width, found = (stop - start) / cells, []
        for i in range(cells):
            xs = [self.past(name, int(start + (i + (j + 0.5) / 10) * width)) for j in range(10)]
            unknown = sum(x is None for x in xs) / 10
            bad = sum(x is not None and abs(x) > 1 for x in xs) / 10
            s = width / NS
            found.append(
                {"good_s": s * (1 - unknown - bad), "bad_s": s * bad, "unknown_s": s * unknown}
            )
        return {
            "cells": found,
            "availability": sum(c["good_s"] for c in found) * NS / (stop - start),
        }

    def deviation(self, name: str) -> dict[str, Any]:
        """White noise on a floor, and what the transition needs."""
        half = next(h for n, _, h, _ in self.lines if n == name)
        taus = [2.0**i for i in range(11)]
        value = [
            half * math.hypot(0.035 / math.sqrt(t), 0.012 * (1 + hash_of(name) % 4)) for t in taus
        ]
        return {"transition": name, "title": "residual of the lock" if hash_of(name) % 2 else
                "overlapping Allan deviation", "unit": "Hz", "confidence": 0.68, "tau_s": taus,
                "value": value, "low": [v * (1 - 0.02 * i) for i, v in enumerate(value)],
                "high": [v * (1 + 0.03 * i) for i, v in enumerate(value)], "need": half / 25,
                "gaps": "", "notes": []}  # fmt: skip

    def shot(self, name: str, state: str = "good") -> dict[str, Any]:
        """Record a shot that ends now."""
        with self.lock:
            means = [{"transition": "clock729", "state": state, "nominal_hz": "411042129776400.4",
                      "reason": "" if state == "good" else "outside tolerance", "coverage": 1.0,
                      "offset_hz": 12.0, "detuning_hz": 180.5, "u_hz": 20.0}]  # fmt: skip
            now = time.time_ns()
            shot = {"shot": name, "start_ns": now - NS // 5, "stop_ns": now, "state": state,
                    "means": means}  # fmt: skip
            self.shots.insert(0, shot)
            return shot

    def raise_alarm(self, number: int, subject: str, kind: str, after: list[str]) -> None:
        """An alarm that stands from now on."""
        with self.lock:
            self.alarms.append({
                "id": number, "subject": subject, "kind": kind, "level": "raised",
                "message": f"{kind} by 340 Hz", "clears": "a detuning within ±740 Hz",
                "since_ns": time.time_ns() - 200 * NS, "acknowledged_by": None,
                "consequences": after,
            })  # fmt: skip


def hash_of(name: str) -> int:
    """A small number that is the same in every run."""
    return sum(map(ord, name)) % 7
