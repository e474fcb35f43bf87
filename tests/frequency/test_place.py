from fractions import Fraction

import pytest

from labref.frequency.place import (
    gravity_shift,
    height_line,
    height_missing,
    path_doppler_hz,
    plane,
)


def test_one_metre_is_1_09e_16() -> None:
    assert gravity_shift(1.0) == pytest.approx(1.0911e-16, rel=1e-4)
    assert gravity_shift(-100.0) == -gravity_shift(100.0)
    line = height_line(2.0)
    assert (line.source, line.fractional) == ("height", True)
    assert line.u == pytest.approx(2.18e-16, rel=1e-2)


def test_height_is_mandatory_below_1e_13() -> None:
    assert height_missing(5e-14, height_declared=False)
    assert not height_missing(5e-14, height_declared=True)
    assert not height_missing(1e-12, height_declared=False)


def test_a_micrometre_per_second_is_1_4_hz_at_729_nm() -> None:
    assert path_doppler_hz(Fraction(411_042_129_776_400), -1e-6) == pytest.approx(1.37, rel=1e-2)


@pytest.mark.parametrize(
    ("cancelled", "bound", "moved", "expected"),
    [
        (True, None, False, "at the atoms"),
        (False, 1.0, False, "at the atoms"),
        (False, None, False, "at the tap"),
        (True, 1.0, True, "at the tap"),
    ],
)
def test_the_plane_that_may_be_claimed(
    cancelled: bool, bound: float | None, moved: bool, expected: str
) -> None:
    got = plane(noise_cancelled=cancelled, bound_hz=bound, moved_by_sequencer=moved)
    assert got == expected
