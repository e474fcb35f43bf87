"""A wavemeter against the comb: offset, scatter, drift, temperature, and a declared correction.

A wavemeter calibrated against a comb does not vouch for that comb's tooth afterwards (M2): the
correction names the comb, and the lab file must carry that name as ``calibrated_by``.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace

import numpy as np

from labref.characterise.combine import nominal_of, offsets_at
from labref.characterise.outcome import Line, Outcome, at_most
from labref.characterise.plan import Part
from labref.characterise.readings import grid_of
from labref.characterise.sources import Bench
from labref.model.deviation import FloatArray
from labref.model.errors import InputError
from labref.model.text import quantity
from labref.model.times import iso
from labref.stability.calibration import Calibration, calibrate
from labref.stability.columns import spread

_LEAST = 64


@dataclass(frozen=True, eq=False)
class Compared:
    """Wavemeter minus comb at the tap: equal grid, Hz, NaN where either is missing.

    ``stop_ns``: end of the last reading. ``temperature``: of the same shape, or None.
    """

    difference_hz: FloatArray
    spacing_s: float
    stop_ns: int
    temperature: FloatArray | None = None


def carry_out(bench: Bench, name: str, part: Part) -> Outcome:
    """Return the calibration of one channel. Raises InputError, TraceError."""
    lab = bench.lab
    assert lab is not None
    assert part.laser is not None
    if part.laser not in lab.lasers:
        raise InputError(f"laser {part.laser!r} is not one of: {', '.join(lab.lasers)}")
    compared = _compared(bench, part)
    found = calibrate(
        compared.difference_hz, compared.spacing_s, compared.temperature, part.valid_for_s
    )
    combs = lab.lasers[part.laser].combs
    u_comb = _comb_u(bench, part.laser)
    whole = replace(found, u_offset_hz=math.hypot(found.u_offset_hz, u_comb))
    lines = _lines(part, whole)
    values = _values(part, whole, combs)
    said = f"labref characterise, {bench.plan.title or 'a plan without title'}, part {name}"
    values["lab_file"] = lab_lines(part, whole, combs, compared.stop_ns, said)
    notes = [
        f"the correction rests on {', '.join(combs) or 'the laser'}: with it this channel is no "
        "witness for that comb's tooth (M2); name it as calibrated_by"
    ]
    return Outcome(name, part.kind, part.title, tuple(lines), tuple(notes), values)


def lab_lines(
    part: Part, found: Calibration, combs: tuple[str, ...], stop_ns: int, source: str
) -> str:
    """The correction as a table for the lab file; it begins where the record ended."""
    places = max(0, 2 - math.floor(math.log10(max(found.u_correction_hz, 1e-3))))
    lines = [
        f"[channels.{part.channel}.correction]",
        f"hz = {found.offset_hz:.{places}f}",
        f"u_hz = {found.u_correction_hz:.{places}f}",
    ]
    if found.hz_per_degree is not None and found.at_temperature is not None:
        lines += [
            f"hz_per_degree = {found.hz_per_degree:.3f}",
            f'temperature = "{part.temperature}"',
            f"at_degree = {found.at_temperature:.4f}",
        ]
    until_ns = stop_ns + round(part.valid_for_s * 1e9)
    lines += [
        f'calibrated_by = "{_rests_on(part, combs)}"',
        f'valid_from = "{iso(stop_ns, 0)}"',
        f'valid_until = "{iso(until_ns, 0)}"',
        f"source = {json.dumps(source)}",
    ]
    return "\n".join(lines) + "\n"


def _rests_on(part: Part, combs: tuple[str, ...]) -> str:
    return f"combs.{combs[0]}" if combs else f"lasers.{part.laser}"


def _compared(bench: Bench, part: Part) -> Compared:
    trace, lab = bench.trace(part), bench.lab
    assert lab is not None
    assert part.channel is not None
    assert part.laser is not None
    shown = trace.series(part.channel)
    if shown.unit != "Hz":
        raise InputError(f"{part.channel} is in {shown.unit}, not a frequency")
    equation = lab.lasers[part.laser].equation
    away = float(shown.nominal - nominal_of(equation, lab))
    shown = shown.rows(shown.usable)
    reach = max(shown.gate_ns, 1_000_000_000) // 2
    light = offsets_at(trace, lab, equation, shown.start_ns, reach)
    keep, index, spacing = grid_of(shown.start_ns, part.channel)
    difference = (shown.offset + away - light)[keep]
    if np.isfinite(difference).sum() < _LEAST:
        raise InputError(
            f"{part.channel} and {part.laser} have {int(np.isfinite(difference).sum())} gates in "
            f"common; {_LEAST} are the least"
        )
    temperature = None
    if part.temperature is not None:
        warm = trace.series(part.temperature)
        place = np.interp(
            shown.start_ns[keep] / 1e9, warm.start_ns[warm.usable] / 1e9,
            warm.offset[warm.usable] + float(warm.nominal),
        )  # fmt: skip
        temperature = spread(index, place)
    stop_ns = int(shown.stop_ns[keep][-1])
    return Compared(spread(index, difference), spacing, stop_ns, temperature)


def _comb_u(bench: Bench, laser: str) -> float:
    """Constant part of the laser's own frequency in Hz: references above the comb."""
    lab = bench.lab
    assert lab is not None
    found = [t.budget for t in lab.transitions.values() if t.laser == laser]
    values = [
        line.hz for line in (found[0].lines if found else ()) if line.source in lab.references
    ]
    return math.sqrt(math.fsum(value * value for value in values if math.isfinite(value)))


def _lines(part: Part, found: Calibration) -> list[Line]:
    offset = quantity(found.offset_hz, found.u_offset_hz)
    scatter = quantity(found.scatter_hz, sign=False)
    lines = []
    if part.offset_hz is not None:
        state = at_most(found.offset_hz, found.u_offset_hz, part.offset_hz)
        limit = f"at most {quantity(part.offset_hz, sign=False)}"
        lines.append(Line("offset against the comb", state, offset, limit))
    else:
        lines.append(Line("offset against the comb", "pass", offset))
    if part.scatter_hz is not None:
        state = "pass" if found.scatter_hz <= part.scatter_hz else "fail"
        limit = f"at most {quantity(part.scatter_hz, sign=False)}"
        lines.append(Line("scatter of one reading", state, scatter, limit))
    else:
        lines.append(Line("scatter of one reading", "pass", scatter))
    return lines


def _values(part: Part, found: Calibration, combs: tuple[str, ...]) -> dict[str, object]:
    return {
        "correction": {
            "channel": part.channel,
            "correction_hz": found.offset_hz,
            "u_hz": found.u_correction_hz,
            "valid_for_s": part.valid_for_s,
            "hz_per_degree": found.hz_per_degree,
            "u_hz_per_degree": found.u_hz_per_degree,
            "at_temperature": found.at_temperature,
            "calibrated_by": ", ".join(f"combs.{name}" for name in combs),
        },
        "offset_hz": found.offset_hz,
        "u_offset_hz": found.u_offset_hz,
        "scatter_hz": found.scatter_hz,
        "wander_hz": found.wander_hz,
        "readings": found.readings,
    }
