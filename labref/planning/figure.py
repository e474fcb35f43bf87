"""Need against offer over averaging time, one panel per transition.

matplotlib is imported when a figure is drawn, never before (extra `plot`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from labref.model.errors import InputError
from labref.model.verdict import State
from labref.planning.answer import Answer
from labref.planning.budget import deviation_hz
from labref.planning.entries import Entries
from labref.planning.requirement import Requirement

_TAUS = np.geomspace(1e-5, 1e6, 100)


def save(path: Path, answers: Mapping[str, Answer]) -> None:
    """Draw U = k sqrt(u^2 + sigma^2) + drift tau of every usable offer, and the room; write it.

    Raises:
        InputError: matplotlib is not installed, nothing to draw, or the format is unknown.
    """
    try:
        import matplotlib as mpl
    except ImportError:
        raise InputError(
            "a figure needs matplotlib: install labref with its extra 'plot'"
        ) from None
    from matplotlib.figure import Figure

    if not answers:
        raise InputError("no transition: nothing to draw")
    figure = Figure(figsize=(7.5, 4.2 * len(answers)), layout="constrained")
    axes = figure.subplots(len(answers), 1, squeeze=False)[:, 0]
    for axis, (name, answer) in zip(axes, answers.items(), strict=True):
        _draw(axis, name, answer)
    with mpl.rc_context({"svg.fonttype": "none"}):
        try:
            figure.savefig(path, dpi=150)
        except (ValueError, OSError) as wrong:
            raise InputError(f"{path}: {wrong}") from None


def _draw(axis: Any, name: str, answer: Answer) -> None:
    for one in answer.offered:
        if all(len(balance.scales) == 1 for balance in one.balances):
            continue  # it does not serve this line at all
        offs = [_off(answer, one.light, tau) for tau in _TAUS.tolist()]
        best = one is answer.recommended
        style = "-" if one.state == State.GOOD else ":"
        axis.plot(_TAUS, offs, style, linewidth=2.4 if best else 1.0, label=one.offer.name)
    _needs(axis, answer)
    axis.set_xscale("log")
    axis.set_yscale("log")
    axis.grid(visible=True, linewidth=0.3, alpha=0.6)
    axis.set_xlabel("averaging time τ, time since calibration (s)")
    axis.set_ylabel("off by at most (Hz)")
    axis.set_title(f"{name}: solid suffices, dotted does not")
    axis.legend(fontsize=6, ncols=2)


def _needs(axis: Any, answer: Answer) -> None:
    """One bar for all uses that leave the same room."""
    rooms: dict[str, list[Requirement]] = {}
    for need in answer.needs:
        if math.isfinite(need.room_hz) and need.room_hz > 0.0:
            rooms.setdefault(f"{need.room_hz:.2e}", []).append(need)
    for needs in rooms.values():
        first = min(need.shot_s for need in needs)
        last = max(need.recalibrate_s for need in needs)
        room = needs[0].room_hz
        axis.plot([first, last], [room, room], "k-", linewidth=1.5)
        names = ", ".join(need.use for need in needs)
        axis.annotate(
            f"need: {names}", (first, room), xytext=(2, 2), textcoords="offset points", fontsize=7
        )


def _off(answer: Answer, light: Entries, tau_s: float) -> float:
    spread = math.hypot(light.accuracy_hz(), deviation_hz(light, tau_s))
    return answer.line.k * spread + light.drift_hz_per_s() * tau_s
