"""A wavemeter's declared correction: exact in the equation, in the uncertainty, and known to M2."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest

from labref.config.lab import parse_lab
from labref.model.errors import LabFileError
from labref.testing.labs import comb_lab

WARM = """
[channels.warm]
nominal = 20
unit = "degree C"
kind = "temperature"
instrument = "bench"
input = 9

[witnesses.wm729.correction]
hz = 2500000.25
u_hz = 4e6
hz_per_degree = 400000
temperature = "warm"
at_degree = 21.5
"""


def test_it_is_an_exact_affine_part_of_the_equation() -> None:
    witness = parse_lab(comb_lab() + WARM).witnesses["wm729"]
    assert witness.equation is not None
    assert dict(witness.equation.terms) == {"wm": Fraction(1), "warm": Fraction(-400000)}
    # nu = wm - 2500000.25 - 400000 (T - 21.5)
    assert witness.equation.constant == Fraction("-2500000.25") + 400000 * Fraction("21.5")
    assert set(witness.channels) == {"wm", "warm"}


def test_its_uncertainty_joins_that_of_the_display() -> None:
    plain = parse_lab(comb_lab()).witnesses["wm729"].u_hz
    found = parse_lab(comb_lab() + WARM).witnesses["wm729"].u_hz
    assert plain == pytest.approx(3e6)
    assert found == pytest.approx(math.hypot(3e6, 4e6))


def test_calibrated_against_this_comb_it_no_longer_vouches_for_its_tooth() -> None:
    changed = comb_lab(('calibrated_by = "an iodine line"', 'calibrated_by = "combs.main"'))
    with pytest.raises(LabFileError, match="rest"):
        parse_lab(changed + WARM)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("hz = 2500000.25\n", "", "what is subtracted"),
        ('temperature = "warm"\n', "", "belong together"),
        ('temperature = "warm"', 'temperature = "worm"', "'worm', did you mean 'warm'"),
        ("u_hz = 4e6", "u_hz = -4e6", "must not be negative"),
    ],
)
def test_mistakes_are_named(old: str, new: str, said: str) -> None:
    with pytest.raises(LabFileError) as error:
        parse_lab(comb_lab() + WARM.replace(old, new, 1))
    assert said in str(error.value)
