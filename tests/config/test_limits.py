"""A tolerance in Hz, natural linewidths or as a fraction; asymmetric too (M6)."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from labref.config.lab import Lab

HZ = "tolerance_hz = 1e4\n"


def test_in_natural_linewidths_of_a_stated_width(lab: Callable[..., Lab]) -> None:
    found = lab((HZ, "tolerance_linewidths = [-0.5, 0.25]\nlinewidth_hz = 20000\n"))
    tolerance = found.transitions["clock729"].tolerance
    assert (tolerance.lower_hz, tolerance.upper_hz) == (-10_000.0, 5_000.0)


def test_in_natural_linewidths_of_the_catalogue(lab: Callable[..., Lab]) -> None:
    """40Ca+ 397: Gamma / 2 pi of the 4p P1/2 level, from the catalogue's own row."""
    wide = 'tolerance_linewidths = 2\nline = { name = "40Ca+ 397" }\n'
    tolerance = lab((HZ, wide)).transitions["clock729"].tolerance
    assert 20e6 < tolerance.upper_hz / 2 < 25e6
    assert tolerance.lower_hz == -tolerance.upper_hz


def test_as_a_fraction_of_the_frequency(lab: Callable[..., Lab]) -> None:
    tolerance = lab((HZ, "tolerance_fraction = 1e-10\n")).transitions["clock729"].tolerance
    assert tolerance.upper_hz == pytest.approx(41104.213, abs=0.001)


def test_what_does_not_fit_is_said(problems: Callable[..., list[str]]) -> None:
    assert any("'tolerance_hz' is missing" in line for line in problems((HZ, "")))
    both = problems((HZ, HZ + "tolerance_fraction = 1e-10\n"))
    assert any("tolerance_hz and tolerance_fraction say the same thing" in line for line in both)
    bare = problems((HZ, "tolerance_linewidths = 1\n"))
    assert any("state linewidth_hz" in line for line in bare)
