"""Sigma-tau figures: log-log, bounds as error bars, masks, slopes of the power-law noises.

matplotlib is imported when a figure is drawn, never before (extra `plot`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from labref.model.deviation import Deviation
from labref.model.errors import InputError
from labref.stability.masks import Mask

# Slope of the deviation with tau by noise exponent alpha: (plain and Hadamard, modified).
_SLOPES = {2: (-1.0, -1.5), 1: (-1.0, -1.0), 0: (-0.5, -0.5), -1: (0.0, 0.0), -2: (0.5, 0.5)}
_WORDS = {
    2: "white PM",
    1: "flicker PM",
    0: "white FM",
    -1: "flicker FM",
    -2: "random-walk FM",
}
_MARKERS = "osD^vP*X"


def save(path: Path, results: Sequence[Deviation], masks: Sequence[Mask] = ()) -> None:
    """Draw all results into one figure per unit and write it; the suffix tells the format.

    Raises:
        InputError: matplotlib is not installed, or the format is unknown.
    """
    try:
        import matplotlib as mpl
    except ImportError:
        raise InputError(
            "a figure needs matplotlib: install labref with its extra 'plot'"
        ) from None
    from matplotlib.figure import Figure

    units = sorted({result.unit for result in results})
    figure = Figure(figsize=(6.4, 4.8 * len(units)), layout="constrained")
    axes = figure.subplots(len(units), 1, squeeze=False)[:, 0]
    for axis, unit in zip(axes, units, strict=True):
        shown = [result for result in results if result.unit == unit]
        _draw(axis, shown, [mask for mask in masks if mask.unit == unit])
    with mpl.rc_context({"svg.fonttype": "none"}):
        try:
            figure.savefig(path, dpi=200)
        except (ValueError, OSError) as wrong:
            raise InputError(f"{path}: {wrong}") from None


def _draw(axis: Any, results: Sequence[Deviation], masks: Sequence[Mask]) -> None:
    for number, result in enumerate(results):
        marker = _MARKERS[number % len(_MARKERS)]
        below = np.nan_to_num(result.deviation - result.lower)
        above = np.nan_to_num(result.upper - result.deviation, posinf=0.0)
        axis.errorbar(
            result.effective_tau_s,
            result.deviation,
            yerr=(below, above),
            fmt=marker,
            markersize=4,
            capsize=2,
            linewidth=1,
            label=_label(result),
        )
    if results:
        _slopes(axis, results[0])
    for mask in masks:
        _mask(axis, mask, results)
    axis.set_xscale("log")
    axis.set_yscale("log")
    axis.grid(visible=True, which="both", linewidth=0.3, alpha=0.6)
    axis.set_xlabel("averaging time τ (s)")
    time_like = bool(results) and results[0].unit == "s"
    axis.set_ylabel("time deviation (s)" if time_like else "fractional frequency deviation")
    axis.legend(fontsize=7)


def _label(result: Deviation) -> str:
    bounds = "" if np.isnan(result.lower).all() else f", bounds at {result.confidence!r}"
    gaps = "" if result.gaps.complete else f", {result.gaps.missing} readings missing"
    return f"{result.name}: {result.title}{bounds}{gaps}"


def _slopes(axis: Any, result: Deviation) -> None:
    """Draw the slope of each stretch of taus with one noise type, a little above."""
    modified = result.statistic.startswith(("m", "t"))
    start = 0
    for k in range(1, len(result) + 1):
        if k < len(result) and result.alpha[k] == result.alpha[start]:
            continue
        alpha = result.alpha[start]
        if k - start >= 3 and math.isfinite(alpha) and int(alpha) in _SLOPES:
            slope = _SLOPES[int(alpha)][1 if modified else 0]
            if result.unit == "s":
                slope += 1.0
            tau = result.effective_tau_s[start:k]
            middle = len(tau) // 2
            level = 1.7 * result.deviation[start + middle]
            line = level * (tau / tau[middle]) ** slope
            axis.plot(tau, line, color="0.5", linestyle="--", linewidth=0.8)
            axis.annotate(
                f"{_WORDS[int(alpha)]}, slope {slope:+.1f}",
                (tau[middle], line[middle]),
                fontsize=6,
                color="0.4",
            )
        start = k


def _mask(axis: Any, mask: Mask, results: Sequence[Deviation]) -> None:
    taus = np.concatenate([result.effective_tau_s for result in results] or [np.ones(1)])
    low, high = float(taus.min()), float(taus.max())
    tau = np.geomspace(low / 1.5, high * 1.5, 400)
    axis.plot(tau, mask.limit(tau), color="k", linewidth=1.2, label=f"mask {mask.name}")
