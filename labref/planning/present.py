"""An answer as plain values for JSON: unknown and infinite become null, with a word beside."""

from __future__ import annotations

import math
from typing import Any

from labref.planning.answer import Answer, Offered
from labref.planning.budget import Balance
from labref.planning.requirement import Requirement


def answer_values(answer: Answer) -> dict[str, Any]:
    """Return `requirement`, `offers`, `recommended` and what else was found."""
    best, better = answer.recommended, answer.next_better
    return {
        "requirement": {
            "decided_by": answer.tightest.use,
            "room_hz": _number(answer.tightest.room_hz),
            "uses": [requirement_values(need) for need in answer.needs],
        },
        "offers": [offered_values(one) for one in answer.offered],
        "recommended": None if best is None else best.offer.name,
        "limited_by": None if best is None else best.tightest.limited_by,
        "recalibrate_s": None if best is None else _number(best.recalibrate_s),
        "next_better": None if better is None else better.offer.name,
        "next_better_buys": what_it_buys(answer),
        "uses_alone": None if answer.uses_alone is None else answer.uses_alone.offer.name,
        "held_by": None if answer.held_by is None else answer.held_by.offer.name,
        "held_by_suffices": None if answer.held_by is None else answer.held_by.state.word,
        "more_than_needed": answer.has_more_than_needed,
        "judge": {
            "u_hz": _number(answer.judge.u_hz),
            "instrument": answer.judge.instrument,
            "gate_s": answer.judge.gate_s,
        },
        "mode_number": {
            "margin_hz": answer.mode.margin_hz,
            "wavemeter_u_hz": answer.mode.wavemeter_u_hz,
            "f_rep_u": answer.mode.f_rep_u,
            "f_rep_gate_s": answer.mode.gate_s,
            "f_rep_step_hz": answer.mode.step_hz,
            "beat_u_hz": answer.mode.beat_u_hz,
        },
    }


def requirement_values(need: Requirement) -> dict[str, Any]:
    """One use's requirement."""
    return {
        "use": need.use,
        "kind": need.kind,
        "limits_hz": [_number(need.lower_hz), _number(need.upper_hz)],
        "forbidden_hz": [list(pair) for pair in need.forbidden_hz],
        "relative_to": need.relative_to,
        "coherent": need.coherent,
        "shot_s": need.shot_s,
        "recalibrate_s": need.recalibrate_s,
        "judge_u_hz": _number(need.judge_u_hz),
        "criteria": [
            {
                "name": c.name,
                "time_s": c.time_s,
                "limit": c.limit,
                "unit": c.unit,
                "source": c.source,
            }
            for c in need.criteria
        ],
        "facts": list(need.facts),
        "source": need.source,
    }


def offered_values(one: Offered) -> dict[str, Any]:
    """One offer: its margin and what limits it, in all and per time scale of each use."""
    return {
        "name": one.offer.name,
        "title": one.offer.title,
        "effort": one.offer.effort,
        "suffices": one.state.word,
        "margin": _number(one.tightest.margin),
        "limited_by": one.tightest.limited_by,
        "recalibrate_s": _number(one.recalibrate_s),
        "reason": next((b.reason for b in one.balances if b.reason), ""),
        "time_scales": [row for one_use in one.balances for row in _scales(one_use)],
        "sources": {part.name: part.sources() for part in one.offer.parts},
    }


def _scales(found: Balance) -> list[dict[str, Any]]:
    return [
        {
            "use": found.use,
            "time_s": scale.time_s,
            "what": scale.what,
            "margin": _number(scale.margin),
            "unknown": math.isnan(scale.margin),
            "limited_by": scale.limited_by,
        }
        for scale in found.scales
    ]


def what_it_buys(answer: Answer) -> str:
    """What the next better would buy, in words; empty where there is none."""
    best, better = answer.recommended, answer.next_better
    if best is None or better is None:
        return ""
    ratio = better.tightest.margin / best.tightest.margin
    text = f"{ratio:.1f} times the margin, then limited by {better.tightest.limited_by}"
    if better.recalibrate_s > 2.0 * best.recalibrate_s:
        text += f", recalibrated {interval(better.recalibrate_s)}"
    return text


def interval(seconds: float) -> str:
    """An interval in words: 'every 3 days', 'never', 'not known'."""
    if math.isnan(seconds):
        return "not known"
    if seconds <= 0.0:
        return "cannot be calibrated often enough"
    for name, size in (("years", 31_557_600.0), ("days", 86_400.0), ("hours", 3600.0)):
        if math.isinf(seconds) or seconds / size >= 1000.0:
            return "never"
        if seconds >= size:
            return f"every {seconds / size:.1f} {name}"
    return f"every {seconds / 60.0:.1f} minutes" if seconds >= 60.0 else f"every {seconds:.1f} s"


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None
