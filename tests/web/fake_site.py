"""Several sessions by script, as `/api/v1/site` gives them. Every name and number is invented."""

from __future__ import annotations

import math
import time
from typing import Any

NS = 1_000_000_000
LABS = {
    "here": ("40Ca+ ion laboratory (invented)", 5, ""),
    "strontium": ("Sr lattice clock (invented)", 30, "http://192.0.2.8:8729"),
    "ytterbium": ("Yb+ ion trap (invented)", 8, "http://192.0.2.9:8729"),
    "comb": ("Comb and references of the second floor (invented)", 3, "http://192.0.2.10:8729"),
}
BAD = "outside tolerance by 340 Hz, and the wavemeter agrees with the beat"


class FakeSite:
    """Call it for the answer of now. ``silent``: who says nothing; ``ahead_s``: of this clock."""

    def __init__(self, ahead_s: float = 0.0) -> None:
        self.began_ns = time.time_ns()
        self.ahead_s = ahead_s
        self.silent: set[str] = set()
        self.asked = 0
        self.bad = {"strontium": {3}, "comb": {0}}
        self.unknown = {"ytterbium": {1, 4}}

    def __call__(self) -> dict[str, Any]:
        self.asked += 1
        now_ns = time.time_ns() + round(self.ahead_s * NS)
        return {"now_ns": now_ns, "now": "", "sessions": [self._session(name) for name in LABS]}

    def _session(self, name: str) -> dict[str, Any]:
        lab, count, url = LABS[name]
        is_silent = name in self.silent
        why = f"{name}: {url}: timed out" if is_silent else ""
        return {
            "name": name, "lab": lab, "url": url, "answers": not is_silent, "why": why,
            "clock_ahead_s": None if is_silent else 0.0, "alarms": len(self.bad.get(name, ())),
            "transitions": [self._row(name, i, is_silent) for i in range(count)],
        }  # fmt: skip

    def _row(self, session: str, i: int, is_silent: bool) -> dict[str, Any]:
        state, reason = "good", ""
        if i in self.unknown.get(session, ()):
            state, reason = "unknown", "no reading of beat_399"
        if i in self.bad.get(session, ()):
            state, reason = "bad", BAD
        if is_silent:
            state, reason = "unknown", f"{session}: timed out"
        wave = math.sin(self.asked + i)
        is_known = state != "unknown"
        return {
            "name": f"{session[:2]}{i:02d}_{400 + 13 * i}", "title": f"line {i}", "state": state,
            "since_ns": self.began_ns - 600 * NS + round(self.ahead_s * NS), "since": "",
            "reason": reason, "detuning_hz": 100.0 * wave + 1500.0 * (state == "bad")
            if is_known else None, "u_hz": 12.0 if is_known else None,
            "distance": abs(wave) * 0.1 + 1.5 * (state == "bad") if is_known else None,
        }  # fmt: skip
