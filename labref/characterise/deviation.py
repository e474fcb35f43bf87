"""Parts that are one series: a laser against the comb, two references, GNSS, a counter's floor."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from labref.characterise.masks import mask_named, mask_values
from labref.characterise.offer import offer_of
from labref.characterise.outcome import Line, Outcome, at_most, word
from labref.characterise.plan import Part
from labref.characterise.sources import Bench
from labref.model.deviation import Deviation
from labref.model.errors import InputError
from labref.model.verdict import State
from labref.stability import present
from labref.stability.catalog import Catalogue
from labref.stability.drift import Drift, fit_drift
from labref.stability.masks import Mask, from_points, judge
from labref.stability.series import Series
from labref.stability.whittle import Fit, fit_readings

_NOISES = {
    "laser": (-2, -1, 0),
    "references": (-2, -1, 0, 2),
    "gnss": (-2, -1, 0, 2),
    "counter_floor": (0, 2),
}
_FEWEST_VALUES = 30


def carry_out(bench: Bench, name: str, part: Part) -> Outcome:
    """Return what one series says. Raises InputError, TraceError."""
    series = bench.series(part)
    gaps = "pairs" if series.has_gaps else "refuse"
    taus = bench.plan.taus if part.taus is None else part.taus
    found = Catalogue()[part.statistic](
        series, taus=taus, gaps=gaps, confidence=bench.plan.confidence
    )
    masks = [mask_named(text, bench.folder) for text in part.masks]
    lines = [*_masks(name, part, found, masks), *_available(part, series)]
    notes = [str(found.gaps), *found.notes]
    values: dict[str, Any] = {
        "deviation": present.as_values(found),
        "at_most": [list(point) for point in sorted(part.at_most)],
        "masks": [mask_values(mask) for mask in masks],
    }
    drift = _drift(series, part, lines, notes, values)
    if part.kind in ("references", "gnss", "laser"):
        _offset(series, part, found, lines, values)
    fit = _noise(series, part, notes, values)
    if part.kind == "counter_floor":
        lines.append(_resolution(series))
    if not lines:
        lines.append(Line("nothing was asked of it", "pass", _first(found)))
    offer = None
    if part.model is not None:
        offer = offer_of(
            part.model, part.title or name, series, found, drift, fit, bench.said(part)
        )
    return Outcome(name, part.kind, part.title, tuple(lines), tuple(notes), values, offer)


def _masks(name: str, part: Part, found: Deviation, named: list[Mask]) -> list[Line]:
    masks = [*named]
    if part.at_most:
        points = sorted(part.at_most)
        masks.append(
            from_points(f"{name} at most", found.statistic, points, unit=found.unit, source="plan")
        )
    lines = []
    for mask in masks:
        if mask.statistic != found.statistic:
            raise InputError(
                f"mask {mask.name!r} is for {mask.statistic}, the part computes "
                f"{found.statistic}: set statistic = {mask.statistic!r}"
            )
        verdict = judge(found, mask)
        margins = verdict.margin[np.isfinite(verdict.margin)]
        least = f"least limit / deviation {margins.min():.2f}" if len(margins) else "not judged"
        what = f"{found.statistic} against {mask.name}"
        lines.append(Line(what, word(verdict.overall), least, f"source: {mask.source}"))
    return lines


def _available(part: Part, series: Series) -> list[Line]:
    if part.available is None:
        return []
    y = series.frequency()
    share = float(np.isfinite(y).mean())
    state = State.GOOD if share >= part.available else State.BAD
    return [Line("availability", word(state), f"{share:.3%}", f"at least {part.available:.3%}")]


def _drift(
    series: Series, part: Part, lines: list[Line], notes: list[str], values: dict[str, Any]
) -> Drift | None:
    try:
        drift = fit_drift(series)
    except InputError as why:
        notes.append(f"no drift: {why}")
        if part.drift_per_day is not None:
            lines.append(Line("drift", "cannot tell", "not fitted"))
        return None
    rate, u = drift.rate_per_day, drift.u_rate_per_s * 86_400.0
    values["drift"] = {"per_day": rate, "u_per_day": u, "left_out": drift.left_out}
    if part.drift_per_day is not None:
        state = at_most(rate, u, part.drift_per_day)
        text = f"{rate:+.2e}({u:.1e}) per day"
        lines.append(Line("drift", state, text, f"at most {part.drift_per_day:.2e} per day"))
    return drift


def _offset(
    series: Series, part: Part, found: Deviation, lines: list[Line], values: dict[str, Any]
) -> None:
    """Mean fractional frequency; its u is the upper bound at the longest averaging time."""
    if found.unit != "1" or not len(found):
        return
    y = series.frequency()
    mean = float(np.nanmean(y)) + series.mean_y
    u = float(found.upper[-1]) if math.isfinite(found.upper[-1]) else math.inf
    values["offset"] = {"y": mean, "u": u}
    if part.offset is not None:
        state = at_most(mean, u, part.offset)
        lines.append(Line("offset", state, f"{mean:+.2e}({u:.1e})", f"at most {part.offset:.1e}"))


def _noise(series: Series, part: Part, notes: list[str], values: dict[str, Any]) -> Fit | None:
    alphas = part.noise if part.noise is not None else _NOISES[part.kind]
    try:
        fit = fit_readings(series, alphas=alphas, gaps="longest" if series.has_gaps else "refuse")
    except InputError as why:
        notes.append(f"no power law: {why}")
        return None
    names = ("hm2", "hm1", "h0", "h1", "h2")
    pairs = zip(names, fit.law.h.tolist(), fit.law.u.tolist(), strict=True)
    values["power_law"] = {name: {"h": h, "u": u} for name, h, u in pairs if u > 0.0}
    values["lines_hz"] = fit.lines_hz.tolist()
    if len(fit.lines_hz):
        notes.append(
            f"{len(fit.lines_hz)} frequencies stand above the noise, the lowest at "
            f"{float(fit.lines_hz[0]):.3e} Hz: periodic, left out of the power law"
        )
    return fit


def _resolution(series: Series) -> Line:
    """A floor of few distinct readings is the display's step, not the counter's noise."""
    y = series.frequency()
    count = len(np.unique(np.round(y[np.isfinite(y)] / (np.nanstd(y) or 1.0), 6)))
    state = "pass" if count >= _FEWEST_VALUES else "fail"
    return Line("distinct readings", state, str(count), f"at least {_FEWEST_VALUES}")


def _first(found: Deviation) -> str:
    if not len(found):
        return "no averaging time"
    return f"{found.statistic} {found.deviation[0]:.2e} at {found.tau_s[0]:.0f} s"
