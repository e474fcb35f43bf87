"""Each transition: its frequency, its uncertainty budget, its verdicts, its figure over time."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from labref.config.lab import LabTransition
from labref.frequency.uncertainty import Part
from labref.model.deviation import Deviation
from labref.model.text import duration, limits_text
from labref.model.verdict import State
from labref.report import figures
from labref.report.blocks import Block, Figure, Paragraph, Section, Table
from labref.report.numbers import frequency_text, hz, nominal_text, relative, share
from labref.report.record import Record
from labref.trace.series import Series

_SMALLEST_SHARE = 0.0005


@dataclass(frozen=True)
class Standing:
    """Seconds of a transition in each state over the record; what is not there is unknown."""

    good_s: float
    bad_s: float
    unknown_s: float

    @property
    def total_s(self) -> float:
        """Length of the record in s."""
        return self.good_s + self.bad_s + self.unknown_s


def standing(record: Record, series: Series) -> Standing:
    """Count gates by state; time without a gate is unknown."""
    assert series.state is not None
    seconds = (series.stop_ns - series.start_ns) / 1e9
    good = float(seconds[series.state == State.GOOD].sum())
    bad = float(seconds[series.state == State.BAD].sum())
    total = (record.stop_ns - record.start_ns) / 1e9
    return Standing(good, bad, max(total - good - bad, 0.0))


def overview(record: Record, found: Mapping[str, Series], devs: Mapping[str, Deviation]) -> Section:
    """Return the first section: one row for each transition."""
    rows = []
    for name, series in found.items():
        state = standing(record, series)
        offset, u = _mean(series, devs.get(name))
        target = float(series.nominal - record.trace.column(name).target)  # type: ignore[union-attr]
        rows.append(
            (
                name,
                frequency_text(series.nominal, offset, u),
                hz(offset + target, sign=True) if math.isfinite(offset) else "not known",
                share(state.good_s, state.total_s),
                share(state.bad_s, state.total_s),
                share(state.unknown_s, state.total_s),
            )
        )
    head = ("transition", "mean frequency", "from target", "good", "bad", "unknown")
    numeric = frozenset(head[1:])
    caption = (
        "Mean of all usable gates, and the time in each state. In brackets the combined standard "
        "uncertainty (k = 1). Good: the mean over each gate, at the named plane, was inside its "
        "tolerance by U = k u, and the witnesses said so. Time without a gate is unknown."
    )
    table = Table(head, tuple(rows), caption, numeric)
    return Section("Summary", (table,))


def section(record: Record, name: str, series: Series, deviation: Deviation | None) -> Section:
    """Return the section of one transition."""
    lab = record.transition(name)
    blocks: list[Block] = [Table(("", ""), tuple(_facts(record, name, series, deviation)))]
    if len(series):
        blocks.append(_over_time(name, series, lab))
    if lab is not None:
        blocks.append(_budget(lab, series, deviation))
    return Section(f"{name}: frequency and uncertainty", tuple(blocks))


def _mean(series: Series, deviation: Deviation | None) -> tuple[float, float]:
    """Mean offset of the usable gates in Hz, and its combined standard uncertainty."""
    usable = series.usable
    if not usable.any():
        return math.nan, math.inf
    return float(series.offset[usable].mean()), math.hypot(
        _counting_hz(series, deviation), _constant_hz(series)
    )


def _counting_hz(series: Series, deviation: Deviation | None) -> float:
    """The upper bound of the deviation at the longest averaging time, in Hz."""
    if deviation is None or not len(deviation):
        return math.nan
    top = deviation.upper[-1] if math.isfinite(deviation.upper[-1]) else deviation.deviation[-1]
    return float(top) * abs(float(series.nominal))


def _constant_hz(series: Series) -> float:
    if series.u_constant is None or not series.usable.any():
        return math.nan
    return float(np.max(series.u_constant[series.usable]))


def _facts(
    record: Record, name: str, series: Series, deviation: Deviation | None
) -> list[tuple[str, str]]:
    offset, u = _mean(series, deviation)
    column = record.trace.column(name)
    facts = [("mean frequency", frequency_text(series.nominal, offset, u))]
    if math.isfinite(u) and series.nominal:
        facts.append(("relative uncertainty", relative(u / abs(float(series.nominal)))))
    facts.append(("target", nominal_text(column.target)))  # type: ignore[union-attr]
    plane = str(column.attributes.get("plane", "tap"))
    facts.append(("plane", "at the atoms" if plane == "atoms" else "at the tap"))
    limits = _limits(series)
    if limits is not None:
        k = str(column.attributes.get("k", 3.0)).removesuffix(".0")
        facts.append(("tolerance", f"{limits_text(*limits)} of the target, judged with k = {k}"))
    state = standing(record, series)
    facts.append(("record", f"{duration(state.total_s)}, {int(series.usable.sum())} usable gates"))
    for word, seconds in (
        ("good", state.good_s), ("bad", state.bad_s), ("unknown", state.unknown_s)
    ):  # fmt: skip
        facts.append((word, f"{share(seconds, state.total_s)} ({duration(seconds)})"))
    unwatched = str(column.attributes.get("unwatched", ""))
    if unwatched:
        facts.append(("not watched", f"{unwatched}: mean frequency only"))
    return facts


def _limits(series: Series) -> tuple[float, float] | None:
    low, high = (series.attributes.get(f"tolerance_{side}_hz") for side in ("lower", "upper"))
    return None if low is None or high is None else (float(low), float(high))


def _over_time(name: str, series: Series, lab: LabTransition | None) -> Block:
    value = series.detuning if series.detuning is not None else series.offset
    shown = np.where(series.usable, value, np.nan)
    svg = figures.detuning(name, series.start_ns, shown, series.state, _limits(series))
    if not np.isfinite(shown).any():
        return Paragraph("No usable gate: nothing to draw.", "warning")
    caption = (
        "Detuning (laser minus target): mean and extremes of each column; dashed: the tolerance. "
        "Stripe below: low and pale, good; higher and grey, unknown; highest and dark, bad; "
        "white, no gate."
    )
    if lab is not None and lab.asserted:
        caption += " In-loop: this is the residual of the lock, not the light."
    return Figure(svg, f"detuning of {name} over time", caption)


def _budget(lab: LabTransition, series: Series, deviation: Deviation | None) -> Block:
    counted = _counting_hz(series, deviation)
    constants = [
        (line.source, line.sensitivity, line.u, abs(line.hz))
        for line in lab.budget.lines
        if line.part is not Part.COUNTING and math.isfinite(line.hz)
    ]
    total = math.fsum(x * x for *_, x in constants) + (counted**2 if counted == counted else 0.0)
    rows = []
    small = 0
    for source, sensitivity, u, value in constants:
        if total and value**2 / total < _SMALLEST_SHARE:
            small += 1
            continue
        weight = f"{abs(sensitivity):.3e}"
        rows.append((source, f"{u:.2e}", weight, hz(value), share(value**2, total), "constant"))
    tau = "" if deviation is None or not len(deviation) else f" at {deviation.tau_s[-1]:.0f} s"
    label = f"counting (upper bound of the deviation{tau})"
    if counted == counted:
        rows.append((label, "", "", hz(counted), share(counted**2, total), "averages"))
    else:
        rows.append((label, "", "", "not known", "", "averages"))
    if small:
        rows.append((f"{small} smaller lines", "", "", "", f"< {_SMALLEST_SHARE:.2%} each", ""))
    rows.append(("combined", "", "", hz(math.sqrt(total)), "", "one sigma"))
    head = ("source", "its u", "Hz per unit", "contribution", "share", "part")
    return Table(
        head,
        tuple(rows),
        "Uncertainty budget of the mean over the record (the shares are of the variance).",
        frozenset(("its u", "Hz per unit", "contribution", "share")),
    )
