"""Noise and drift of each transition: deviations against need, spectrum, linewidth, drift."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from labref.characterise.readings import series_of_trace
from labref.model.deviation import Deviation
from labref.model.errors import InputError
from labref.model.text import duration, quantity
from labref.report import figures
from labref.report.blocks import Block, Figure, Items, Paragraph, Section, Table
from labref.report.figures import Limit
from labref.report.numbers import hz, relative
from labref.report.record import Record
from labref.stability.deviations import oadev
from labref.stability.drift import fit_drift
from labref.stability.linewidth import beta_linewidth
from labref.stability.masks import Mask, judge
from labref.stability.series import Series
from labref.stability.spectrum import spectrum


def series_for(record: Record, name: str) -> Series:
    """Return a transition as a series for statistics. Raises InputError, TraceError."""
    return series_of_trace(record.trace, name, loop=record.loop(name))


def deviation_of(series: Series) -> Deviation:
    """Return the overlapping Allan deviation at octaves; gaps are bridged by pairs."""
    return oadev(series, gaps="pairs" if series.has_gaps else "refuse")


def section(
    record: Record, name: str, series: Series, deviation: Deviation, masks: Sequence[Mask]
) -> Section:
    """Return the section of one transition."""
    limits = [*_need(record, name, series, deviation), *_mask_limits(deviation, masks)]
    blocks: list[Block] = [
        Figure(
            figures.deviations(name, [deviation], limits),
            f"deviations of {name}",
            f"{deviation.title}; bars: {deviation.confidence:.1%} bounds. {deviation.gaps}.",
        ),
        _table(deviation, limits),
    ]
    blocks += [Paragraph(f"{note}.", "note") for note in deviation.notes]
    for mask in masks:
        if mask.statistic == deviation.statistic:
            verdict = judge(deviation, mask)
            blocks.append(Paragraph(f"Mask {mask.name} ({mask.source}): {verdict.overall.word}."))
    blocks += _spectrum(name, series)
    blocks += _drift(series)
    return Section(f"{name}: noise and drift", tuple(blocks))


def _need(record: Record, name: str, series: Series, deviation: Deviation) -> list[Limit]:
    """Half the tolerance over k as a fractional deviation: one gate's scatter must fit in it."""
    facts = record.trace.column(name).attributes
    low, high = facts.get("tolerance_lower_hz"), facts.get("tolerance_upper_hz")
    if low is None or high is None or series.nominal_hz is None:
        return []
    k = float(facts.get("k", 3.0))
    level = (float(high) - float(low)) / 2.0 / k / abs(float(series.nominal_hz))
    label = "need: half tolerance / k"
    return [Limit(label, deviation.effective_tau_s, np.full(len(deviation), level))]


def _mask_limits(deviation: Deviation, masks: Sequence[Mask]) -> list[Limit]:
    return [
        Limit(f"mask {mask.name}", deviation.effective_tau_s, mask.limit(deviation.effective_tau_s))
        for mask in masks
        if mask.statistic == deviation.statistic
    ]


def _table(deviation: Deviation, limits: Sequence[Limit]) -> Table:
    rows = []
    for k, tau in enumerate(deviation.tau_s.tolist()):
        row = [f"{tau:.0f}" if tau >= 10 else f"{tau:.2f}"]
        row += [
            f"{float(column[k]):.2e}" if math.isfinite(column[k]) else "–"
            for column in (deviation.deviation, deviation.lower, deviation.upper)
        ]
        edf = float(deviation.edf[k])
        row += [f"{edf:.0f}" if math.isfinite(edf) else "–", deviation.noise[k]]
        row += [relative(float(limit.limit[k])) for limit in limits]
        rows.append(tuple(row))
    labels = [limit.label for limit in limits]
    head = ("τ (s)", "deviation", "lower", "upper", "edf", "noise", *labels)
    numeric = frozenset((*head[:5], *labels))
    return Table(head, tuple(rows), f"{deviation.equation} ({deviation.source}).", numeric)


def _spectrum(name: str, series: Series) -> list[Block]:
    try:
        found = spectrum(series, gaps="longest")
        width = beta_linewidth(found, 1.0 / float(found.f_hz[0]))
    except InputError as why:
        return [Paragraph(f"No spectrum: {why}.", "note")]
    seconds = width.observation_s
    text = f"Linewidth by the beta-separation line over {duration(seconds)}: {hz(width.fwhm_hz)}"
    if not width.covered:
        text += (
            f" at least: the spectrum ends at {quantity(float(found.f_hz[-1]), sign=False)} still "
            "above the line, so noise faster than the gates broadens the line further, unseen here"
        )
    caption = (
        "One-sided power spectral density (Welch, Hann windows) of the longest stretch without "
        "gaps. Noise above the beta line broadens the line, noise below makes wings "
        "(Di Domenico et al., Appl. Opt. 49, 4801, 2010)."
    )
    figure = Figure(figures.spectrum(name, found, beta=True), f"spectrum of {name}", caption)
    return [figure, Paragraph(f"{text}.")]


def _drift(series: Series) -> list[Block]:
    try:
        drift = fit_drift(series)
    except InputError as why:
        return [Paragraph(f"No drift: {why}.", "note")]
    nu = float(series.nominal_hz or 1)
    text = (
        f"Drift (straight line): {quantity(drift.rate_per_s * nu, drift.u_rate_per_s * nu, 'Hz/s')}"
        f", that is {drift.rate_per_day:.1e} per day; its uncertainty respects the noise found"
    )
    extra = [f"{drift.left_out} readings apart from their neighbours did not enter the drift"]
    found: list[Block] = [Paragraph(f"{text}.")]
    return found + ([Items(tuple(extra))] if drift.left_out else [])
