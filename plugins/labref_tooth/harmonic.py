"""How the frequency at the atoms follows the frequency at the tap."""

from __future__ import annotations

from typing import Any


def harmonic(transition: Any) -> float:
    """M: how much the frequency at the atoms follows that at the tap."""
    base = transition.base
    at_tap = transition.tap_equation.coefficient(base)
    return float(transition.equation.coefficient(base) / at_tap) if at_tap else 1.0
