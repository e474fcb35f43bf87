"""Whether a target makes sense here, and whether this chain can judge this tolerance (M5)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction

from labref.config.draft import Draft
from labref.config.locate import Path
from labref.config.units import hz_text, likely_unit
from labref.frequency.uncertainty import Budget
from labref.model.exact import exact_text
from labref.model.target import Target
from labref.model.text import quantity
from labref.model.tolerance import Tolerance

# Below this fractional uncertainty the height of the reference must be in the budget (M14).
_HEIGHT_MATTERS = 1e-13
# A Gaussian error exceeds 2 u on one side in 2.3 % of cases.
_SMALLEST_K = 2.0


def check_target(
    draft: Draft,
    path: Path,
    target: Target,
    tolerance: Tolerance,
    nominal: Fraction,
    integers: Sequence[str],
) -> None:
    """Compare the target with where nominal values put the light: units, and mode numbers.

    Without ``integers`` the nominal is only the point from which readings are counted.
    """
    component = target.component_hz
    detuning = nominal - target.hz
    if abs(detuning) * 20 > abs(nominal):
        unit = likely_unit(component, nominal)
        hint = f"; as a number in {unit} it would fit, the key is in Hz" if unit else ""
        draft.complaints.problem(
            (*path, "target_hz"),
            f"{exact_text(component, 3)} Hz is far from the {hz_text(nominal)} where this "
            f"equation puts the light{hint}",
        )
    elif integers and not tolerance.lower_hz <= float(detuning) <= tolerance.upper_hz:
        draft.complaints.warning(
            (*path, "target_hz"),
            f"with every channel at its nominal value the light is {hz_text(detuning)} from the "
            f"target, outside the tolerance: is a mode number, sign or nominal wrong?",
        )
    if tolerance.half_width_hz * 20 > abs(nominal):
        draft.complaints.problem(
            (*path, "tolerance_hz"),
            f"a tolerance of {hz_text(tolerance.half_width_hz)} for light at {hz_text(nominal)}: "
            "is Hz meant?",
        )


def allowed_half_width_hz(tolerance: Tolerance) -> float:
    """Half the widest interval that the limits and forbidden intervals leave, in Hz."""
    edge, widest = tolerance.lower_hz, 0.0
    for low, high in sorted(tolerance.forbidden_hz):
        widest = max(widest, min(low, tolerance.upper_hz) - edge)
        edge = max(edge, high)
    return max(widest, tolerance.upper_hz - edge) / 2


def known_u_hz(budget: Budget) -> float:
    """Combined standard uncertainty of one gate from all lines that are known, in Hz.

    Scatter that is not declared is measured later and left out here: the true value is larger.
    """
    return math.sqrt(math.fsum(line.hz**2 for line in budget.lines if math.isfinite(line.hz)))


def check_tolerance(
    draft: Draft, path: Path, tolerance: Tolerance, budget: Budget, nominal: Fraction
) -> None:
    """Refuse a tolerance that u exceeds by more than a quarter, and name what limits it (M5)."""
    u_hz, half = known_u_hz(budget), allowed_half_width_hz(tolerance)
    if half <= 0:
        draft.complaints.problem((*path, "forbidden_hz"), "nothing of the tolerance is left")
    elif u_hz > half / 4:
        parts = ", ".join(
            f"{line.source} {quantity(abs(line.hz), sign=False)}"
            for line in budget.lines
            if math.isfinite(line.hz) and abs(line.hz) > u_hz / 100
        )
        report = draft.complaints.problem if draft.must_judge else draft.complaints.warning
        report(
            (*path, "tolerance_hz"),
            f"this tolerance cannot be judged with this chain: u = {quantity(u_hz, sign=False)} "
            f"is more than a quarter of {quantity(half, sign=False)} (M5); u is made of {parts}",
        )
    if tolerance.k < _SMALLEST_K:
        draft.complaints.warning(
            (*path, "k"),
            f"good will be said within {tolerance.k} u of the limit: wrong more often than 1 time "
            "in 40 (M5)",
        )
    unknown = budget.unknown()
    if unknown:
        draft.complaints.warning(
            path,
            f"no sigma is declared for {', '.join(unknown)}: its scatter is not in the budget "
            "until it has been measured",
        )
    relative = budget.constant_hz / abs(float(nominal)) if nominal else math.inf
    # A reference that makes only a shifter's drive does not carry the light's frequency.
    carried = any(
        line.source in draft.references and abs(line.sensitivity) > abs(float(nominal)) / 100
        for line in budget.lines
    )
    heights = any(line.source.startswith("height of ") for line in budget.lines)
    if carried and 0 < relative < _HEIGHT_MATTERS and not heights:
        draft.complaints.problem(
            path,
            f"a relative uncertainty of {relative:.1e} is claimed without the height of the "
            "reference: height_m (1.09e-16 per metre, M14)",
        )
