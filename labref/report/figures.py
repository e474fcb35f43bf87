"""The figures of a report: time series with states, deviations against need, spectra."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from labref.model.deviation import Deviation, FloatArray
from labref.model.readings import Floats, Ints
from labref.model.tolerance import States
from labref.model.verdict import State
from labref.report.axes import Plot, Scale, linear_scale, log_scale, tau_scale
from labref.report.svg import BLUE, GREEN, GREY, INK, ORANGE, PALE, RED, Drawing
from labref.stability.linewidth import BETA_SLOPE
from labref.stability.spectrum import Spectrum

_WIDTH, _HEIGHT = 660.0, 300.0
_COLUMNS = 560
_POINTS = 700
_UNITS = ((1e9, "GHz"), (1e6, "MHz"), (1e3, "kHz"), (1.0, "Hz"), (1e-3, "mHz"), (1e-6, "µHz"))
_STATE_COLOUR = {State.GOOD: "#bcd8c6", State.BAD: RED, State.UNKNOWN: PALE}
_MOST_SERIES = (BLUE, ORANGE, GREEN, GREY)


@dataclass(frozen=True)
class Limit:
    """A limit over averaging time: ``limit`` of shape (taus,), NaN where it says nothing."""

    label: str
    tau_s: FloatArray
    limit: FloatArray


def detuning(
    name: str,
    start_ns: Ints,
    value_hz: Floats,
    state: States | None,
    limits_hz: tuple[float, float] | None,
    ylabel: str = "detuning",
) -> str:
    """Draw a value over time as the band of each column's extremes and its mean.

    Below it, with ``state``, a stripe tells good, bad and unknown; white is no gate.
    """
    finite = np.isfinite(value_hz)
    size_s, long_unit = _long_unit((start_ns[-1] - start_ns[0]) / 1e9)
    times = (start_ns - start_ns[0]) / (1e9 * size_s)
    shown = _robust_range(value_hz[finite], limits_hz)
    scale, unit = _unit(max(abs(shown[0]), abs(shown[1])))
    x = Scale(0.0, max(float(times[-1]), 1e-6), f"time since the first gate ({long_unit})")
    y = linear_scale(shown[0] / scale, shown[1] / scale, f"{ylabel} ({unit})")
    alt = (
        f"{ylabel} of {name} against time over {float(times[-1]):.2f} {long_unit}, "
        f"from {_plain(shown[0], scale)} to {_plain(shown[1], scale)} {unit}"
    )
    drawing = Drawing(_WIDTH, _HEIGHT, f"{ylabel} of {name}", alt)
    plot = Plot(drawing, x, y, f"cut-time-{name}-{ylabel}".replace(" ", "-"))
    plot.inside()
    column = np.minimum((times / x.high * _COLUMNS).astype(np.int64), _COLUMNS - 1)
    for run in _runs_of_columns(column[finite], value_hz[finite] / scale):
        centre = [(c + 0.5) / _COLUMNS * x.high for c, *_ in run]
        low = [plot.at(t, row[1]) for t, row in zip(centre, run, strict=True)]
        high = [plot.at(t, row[2]) for t, row in zip(centre, run, strict=True)]
        if len(run) == 1:
            (px, y1), (_, y2) = low[0], high[0]
            drawing.rectangle(px - 0.5, min(y1, y2) - 0.5, 1.0, abs(y2 - y1) + 1.0, BLUE)
            continue
        drawing.area([*low, *high[::-1]], BLUE, 0.30)
        middle = [plot.at(t, row[3]) for t, row in zip(centre, run, strict=True)]
        drawing.line(middle, BLUE, 1.1)
    if limits_hz is not None:
        for limit in limits_hz:
            ends = [plot.at(x.low, limit / scale), plot.at(x.high, limit / scale)]
            drawing.line(ends, INK, 1.0, "6 3")
    drawing.end()
    if state is not None:
        _stripe(plot, column, state)
    plot.finish()
    return drawing.text()


def _runs_of_columns(column: Ints, value: Floats) -> list[list[tuple[int, float, float, float]]]:
    """Columns with data as runs of neighbours: (column, lowest, highest, mean)."""
    if not len(column):
        return []
    first = np.concatenate(([0], np.flatnonzero(np.diff(column)) + 1))
    low = np.minimum.reduceat(value, first)
    high = np.maximum.reduceat(value, first)
    mean = np.add.reduceat(value, first) / np.diff(np.append(first, len(column)))
    runs: list[list[tuple[int, float, float, float]]] = []
    # Few gates: a column without one is no hole.
    reach = max(1, round(1.5 * _COLUMNS / len(first)))
    for k, start in enumerate(first.tolist()):
        row = (int(column[start]), float(low[k]), float(high[k]), float(mean[k]))
        if runs and row[0] - runs[-1][-1][0] <= reach:
            runs[-1].append(row)
        else:
            runs.append([row])
    return runs


def _stripe(plot: Plot, column: Ints, state: States) -> None:
    """The worst state of each column: bad before unknown before good."""
    worst = np.full(_COLUMNS, -1)
    for level, found in enumerate((State.GOOD, State.UNKNOWN, State.BAD)):
        worst[column[state == found]] = np.maximum(worst[column[state == found]], level)
    filled = _carry(worst, max(1, round(1.5 * _COLUMNS / max(len(np.unique(column)), 1))))
    order = (State.GOOD, State.UNKNOWN, State.BAD)
    size = plot.width / _COLUMNS
    begin = 0
    for k in range(1, _COLUMNS + 1):
        if k < _COLUMNS and filled[k] == filled[begin]:
            continue
        if filled[begin] >= 0:
            which = order[int(filled[begin])]
            tall = {State.GOOD: 4.0, State.UNKNOWN: 7.0, State.BAD: 10.0}[which]
            y = plot.top + plot.height - tall
            width = max((k - begin) * size, 0.8)
            plot.drawing.rectangle(plot.left + begin * size, y, width, tall, _STATE_COLOUR[which])
        begin = k


def _carry(worst: Ints, reach: int) -> Ints:
    """Fill columns between gates that are closer than ``reach`` columns."""
    filled = worst.copy()
    last = -1
    for k in np.flatnonzero(worst >= 0).tolist():
        if last >= 0 and 1 < k - last <= reach:
            filled[last + 1 : k] = worst[last]
        last = k
    return filled


def _robust_range(value: Floats, limits: tuple[float, float] | None) -> tuple[float, float]:
    """All values; but not more than five times the middle 99.8 % (or the limits) wide."""
    if not len(value):
        return limits or (-1.0, 1.0)
    low, high = float(value.min()), float(value.max())
    inner_low, inner_high = (float(q) for q in np.quantile(value, [0.001, 0.999]))
    if limits is not None:
        inner_low, inner_high = min(inner_low, limits[0]), max(inner_high, limits[1])
    room = 2.0 * (inner_high - inner_low) or abs(inner_high) or 1.0
    low, high = max(low, inner_low - room), min(high, inner_high + room)
    return min(low, inner_low), max(high, inner_high)


def _unit(size: float) -> tuple[float, str]:
    return next(((s, u) for s, u in _UNITS if size >= s), (_UNITS[-1] if size else (1.0, "Hz")))


def _long_unit(span_s: float) -> tuple[float, str]:
    """The unit of a time axis in s: one that a span is several of."""
    units = ((86_400.0, "d"), (3600.0, "h"), (60.0, "min"))
    return next(((s, u) for s, u in units if span_s >= 3.0 * s), (1.0, "s"))


def _plain(value: float, scale: float) -> str:
    return f"{value / scale:.3f}"


def deviations(name: str, results: Sequence[Deviation], limits: Sequence[Limit] = ()) -> str:
    """Draw deviations over averaging time with their bounds, and limits they should not exceed."""
    taus = [t for result in results for t in result.effective_tau_s.tolist()]
    values = [
        v
        for result in results
        for column in (result.deviation, result.lower, result.upper)
        for v in column.tolist()
    ]
    values += [v for limit in limits for v in limit.limit.tolist()]
    time_like = bool(results) and results[0].unit == "s"
    label = "time deviation (s)" if time_like else "fractional frequency deviation"
    x, y = tau_scale(taus, "averaging time τ (s)"), log_scale(values, label)
    shown = "; ".join(_said(result) for result in results)
    alt = f"{label} of {name} against averaging time: {shown}"
    drawing = Drawing(_WIDTH, _HEIGHT + 40, f"deviations of {name}", alt)
    plot = Plot(drawing, x, y, f"cut-dev-{name}".replace(" ", "-"))
    plot.inside()
    for limit in limits:
        known = np.isfinite(limit.limit)
        pairs = zip(limit.tau_s[known].tolist(), limit.limit[known].tolist(), strict=True)
        drawing.line([plot.at(t, v) for t, v in pairs], INK, 1.3, "6 3")
        plot.legend(INK, "6 3", limit.label)
    for k, result in enumerate(results):
        colour = _MOST_SERIES[k % len(_MOST_SERIES)]
        _deviation(plot, result, colour, filled=k % 2 == 0)
        plot.legend(colour, "", result.title)
    drawing.end()
    plot.finish()
    return drawing.text()


def _deviation(plot: Plot, result: Deviation, colour: str, *, filled: bool) -> None:
    tau = result.effective_tau_s.tolist()
    columns = (result.deviation.tolist(), result.lower.tolist(), result.upper.tolist())
    plot.drawing.line([plot.at(t, v) for t, v in zip(tau, columns[0], strict=True)], colour, 0.8)
    for t, value, low, high in zip(tau, *columns, strict=True):
        if math.isfinite(low) and math.isfinite(high):
            px, y1 = plot.at(t, low)
            _, y2 = plot.at(t, high)
            plot.drawing.line([(px, y1), (px, y2)], colour, 1.1)
            for y in (y1, y2):
                plot.drawing.line([(px - 2.5, y), (px + 2.5, y)], colour, 1.1)
        plot.drawing.dot(*plot.at(t, value), 2.6, colour, filled)


def _said(result: Deviation) -> str:
    if not len(result):
        return f"{result.title}: no values"
    first, last = result.deviation[0], result.deviation[-1]
    return (
        f"{result.title} {first:.1e} at {result.tau_s[0]:.0f} s, {last:.1e} at "
        f"{result.tau_s[-1]:.0f} s"
    )


def spectrum(name: str, found: Spectrum, *, beta: bool) -> str:
    """Draw a frequency spectrum, in Hz²/Hz with the beta-separation line, or fractional."""
    density = found.as_nu() if beta else found.as_y()
    f, density = _thinned(found.f_hz, density)
    shown = density.tolist()
    line = (BETA_SLOPE * f).tolist() if beta else []
    label = "S_ν (Hz²/Hz)" if beta else "S_y (1/Hz)"
    x = tau_scale(f.tolist(), "Fourier frequency (Hz)")
    y = log_scale([*shown, *line], label)
    alt = (
        f"power spectral density {label} of {name} from {f[0]:.1e} to {f[-1]:.1e} Hz, "
        f"{shown[0]:.1e} at its lowest and {shown[-1]:.1e} at its highest frequency"
    )
    drawing = Drawing(_WIDTH, _HEIGHT, f"spectrum of {name}", alt)
    plot = Plot(drawing, x, y, f"cut-psd-{name}".replace(" ", "-"))
    plot.inside()
    pairs = zip(f.tolist(), shown, strict=True)
    drawing.line([plot.at(a, b) for a, b in pairs], BLUE, 0.9)
    plot.legend(BLUE, "", label)
    if beta:
        drawing.line([plot.at(f[0], line[0]), plot.at(f[-1], line[-1])], INK, 1.2, "6 3")
        plot.legend(INK, "6 3", "beta-separation line")
    drawing.end()
    plot.finish()
    return drawing.text()


def _thinned(f: FloatArray, density: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean over equal steps of log f, at most `_POINTS` of them."""
    if len(f) <= _POINTS:
        return f, density
    place = np.log(f / f[0]) / np.log(f[-1] / f[0])
    cell = np.minimum((place * _POINTS).astype(np.int64), _POINTS - 1)
    first = np.concatenate(([0], np.flatnonzero(np.diff(cell)) + 1))
    count = np.diff(np.append(first, len(f)))
    return np.add.reduceat(f, first) / count, np.add.reduceat(density, first) / count
