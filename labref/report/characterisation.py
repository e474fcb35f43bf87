"""What `labref characterise` found, as sections: lines, deviations, fitted noise."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from labref.characterise.masks import mask_from
from labref.characterise.outcome import Outcome, outcome_from
from labref.model.deviation import BiasReport, Deviation, FloatArray, GapReport
from labref.model.errors import InputError
from labref.model.text import quantity
from labref.report import figures
from labref.report.blocks import Block, Figure, Items, Paragraph, Section, Table, Verbatim
from labref.report.numbers import relative
from labref.stability.masks import from_points

_NAMES = {
    "h2": "white phase", "h1": "flicker phase", "h0": "white frequency",
    "hm1": "flicker frequency", "hm2": "random-walk frequency",
}  # fmt: skip


def is_characterisation(path: Path) -> bool:
    """Whether a folder holds results of a plan."""
    return (path / "parts").is_dir()


def title_of(folder: Path) -> str:
    """Return the plan's title, or the folder's name. Raises InputError."""
    return str(_plan(folder)["title"] or folder.name)


def _plan(folder: Path) -> dict[str, Any]:
    path = folder / "plan.json"
    try:
        found: dict[str, Any] = json.loads(path.read_text("utf-8"))
        return {"title": found["title"], "parts": list(found["parts"])}
    except (OSError, ValueError, KeyError, TypeError) as wrong:
        raise InputError(f"{path}: is no result of labref characterise: {wrong!r}") from None


def sections(folder: Path) -> list[Section]:
    """Return a summary and a section for each part, in the plan's order. Raises InputError."""
    names = _plan(folder)["parts"]
    files = [folder / "parts" / f"{name}.json" for name in names]
    outcomes = [_read(path) for path in files if path.exists()]
    if not outcomes:
        raise InputError(f"{folder}: holds no finished part; run labref characterise first")
    rows = tuple(row for outcome in outcomes for row in _lines(outcome))
    head = ("part", "result", "line", "found", "limit")
    return [Section("Characterisation", (Table(head, rows),)), *map(_section, outcomes)]


def _lines(outcome: Outcome) -> list[tuple[str, ...]]:
    """A row for each line; the part is named once."""
    rows: list[tuple[str, ...]] = []
    for k, line in enumerate(outcome.lines):
        named = outcome.part if k == 0 else ""
        rows.append((named, line.state, line.what, line.value, line.limit))
    if outcome.broken:
        rows.append((outcome.part, "fail", "carried out", "no", outcome.broken))
    return rows


def _read(path: Path) -> Outcome:
    try:
        return outcome_from(json.loads(path.read_text("utf-8")))
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as wrong:
        raise InputError(f"{path}: is no result of labref characterise: {wrong!r}") from None


def _section(outcome: Outcome) -> Section:
    blocks: list[Block] = []
    if outcome.broken:
        blocks.append(Paragraph(f"Could not be carried out: {outcome.broken}.", "warning"))
    if "deviation" in outcome.values:
        blocks += _deviation(outcome)
    if "offset" in outcome.values:
        offset = outcome.values["offset"]
        text = f"Mean fractional frequency {offset['y']:+.2e}, u = {relative(offset['u'])}."
        blocks.append(Paragraph(text))
    if "drift" in outcome.values:
        drift = outcome.values["drift"]
        text = f"Drift {drift['per_day']:+.2e} per day, u = {relative(drift['u_per_day'])}."
        blocks.append(Paragraph(text))
    if "power_law" in outcome.values:
        blocks.append(_power_law(outcome.values["power_law"]))
    if "correction" in outcome.values:
        blocks.append(Table(("", ""), tuple(_calibration(outcome.values))))
    if outcome.kind == "hat":
        blocks += _hat(outcome.values)
    if "lab_file" in outcome.values:
        blocks += [Paragraph("For the lab file:"), Verbatim(outcome.values["lab_file"])]
    if outcome.notes:
        blocks.append(Items(tuple(outcome.notes)))
    named = outcome.title or (outcome.kind if outcome.kind != outcome.part else "")
    title = ": ".join(part for part in (outcome.part, named, outcome.state) if part)
    return Section(title, tuple(blocks))


def _calibration(values: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """A wavemeter against the comb, in words."""
    found = values["correction"]
    yield "displayed less comb", quantity(values["offset_hz"], values["u_offset_hz"])
    if found["hz_per_degree"] is not None:
        slope = quantity(found["hz_per_degree"], found["u_hz_per_degree"])
        yield "per degree", f"{slope}, from {found['at_temperature']:.2f}"
    yield "scatter of one reading", quantity(values["scatter_hz"], sign=False)
    yield "its own wander while in use", quantity(values["wander_hz"], sign=False)
    yield "uncertainty of the correction", quantity(found["u_hz"], sign=False)
    yield "readings", str(values["readings"])
    yield "rests on", found["calibrated_by"] or "the laser"


def _hat(values: Mapping[str, Mapping[str, Mapping[str, list[float]]]]) -> Iterator[Block]:
    """Each laser's own deviation over averaging time, one table for each method."""
    for method in dict.fromkeys(method for shares in values.values() for method in shares):
        shares = {laser: found[method] for laser, found in values.items() if method in found}
        taus = next(iter(shares.values()))["tau_s"]
        rows = [
            (f"{tau:.0f}", *(_own(share, k) for share in shares.values()))
            for k, tau in enumerate(taus)
        ]
        caption = f"{method}: fractional deviation of each alone, with its bounds."
        yield Table(("τ (s)", *shares), tuple(rows), caption, frozenset(("τ (s)", *shares)))


def _own(share: Mapping[str, list[float]], k: int) -> str:
    """A deviation from its variance; one that came out negative is said to be so."""
    variance, low, high = (share[key][k] for key in ("variance", "lower", "upper"))
    top = f"{math.sqrt(max(high, 0.0)):.1e}"
    if variance <= 0.0:
        return f"negative (at most {top})"
    return f"{math.sqrt(variance):.2e} ({math.sqrt(max(low, 0.0)):.1e} to {top})"


def _deviation(outcome: Outcome) -> list[Block]:
    found = deviation_from(outcome.values["deviation"])
    masks = [mask_from(mask) for mask in outcome.values.get("masks", [])]
    points = outcome.values.get("at_most", [])
    if points:
        limit = [(tau, value) for tau, value in points]
        masks.append(from_points("limit of the plan", found.statistic, limit, unit=found.unit))
    ends = found.effective_tau_s
    tau = np.geomspace(ends[0], ends[-1], 400) if len(found) else ends
    limits = [figures.Limit(mask.name, tau, mask.limit(tau)) for mask in masks]
    svg = figures.deviations(outcome.part, [found], limits)
    caption = f"{found.title}; bars: {found.confidence:.1%} bounds. {outcome.notes[0]}."
    rows = tuple(
        (
            f"{tau:.0f}" if tau >= 10 else f"{tau:.2f}",
            *(_number(column[k]) for column in (found.deviation, found.lower, found.upper)),
            found.noise[k],
        )
        for k, tau in enumerate(found.tau_s.tolist())
    )
    head = ("τ (s)", "deviation", "lower", "upper", "noise")
    table = Table(head, rows, f"{found.equation} ({found.source}).", frozenset(head[:4]))
    return [Figure(svg, f"deviations of {outcome.part}", caption), table]


def _number(value: float) -> str:
    return f"{value:.3e}" if math.isfinite(value) else "–"


def _power_law(law: Mapping[str, Mapping[str, float]]) -> Table:
    rows = tuple(
        (_NAMES[name], name, f"{found['h']:.2e}", f"{found['u']:.1e}")
        for name, found in law.items()
    )
    head = ("noise", "coefficient", "value (1/Hz at 1 Hz)", "u")
    return Table(head, rows, "S_y(f) = sum of h f^alpha.", frozenset(head[2:]))


def deviation_from(values: Mapping[str, Any]) -> Deviation:
    """Return a deviation from its plain values (`labref.stability.present.as_values`)."""
    gaps = {key: value for key, value in values["gaps"].items() if key != "text"}
    bias = values["bias"]
    return Deviation(
        statistic=values["statistic"],
        title=values["title"],
        unit=values["unit"],
        tau_s=_array(values["tau_s"]),
        m=np.array(values["m"], dtype=np.int64),
        deviation=_array(values["deviation"]),
        lower=_array(values["lower"]),
        upper=_array(values["upper"]),
        edf=_array(values["edf"]),
        count=np.array(values["count"], dtype=np.int64),
        alpha=_array(values["alpha"]),
        noise_method=tuple(values["noise_method"]),
        effective_tau_s=_array(values["effective_tau_s"]),
        confidence=values["confidence"],
        gaps=GapReport(**gaps),
        bias=BiasReport(bias["applied"], _array(bias["factor"]), bias["table"]),
        equation=values["equation"],
        source=values["source"],
        edf_source=values["edf_source"],
        name=values["name"],
        tau0_s=values["tau0_s"],
        loop=values["loop"],
        weighting=values["weighting"],
        notes=tuple(values["notes"]),
    )


def _array(values: list[float | None]) -> FloatArray:
    return np.array([math.nan if value is None else value for value in values], dtype=np.float64)
