from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.frequency.comb import f_rep_counted
from labref.frequency.side import side_of_lo
from labref.model.errors import AmbiguousError, InputError

LO = Fraction(980_000_000)


@given(st.integers(1, 10**8), st.sampled_from((1, -1)), st.floats(-4.9, 4.9), st.floats(1.0, 1e9))
def test_unique_or_refused(counted: int, sign: int, error: float, u: float) -> None:
    truth = LO + sign * counted
    coarse = truth + Fraction(error) * Fraction(u)
    other = abs(LO - sign * counted - coarse)
    if other <= 5 * Fraction(u):
        with pytest.raises(AmbiguousError, match="both sides fit"):
            side_of_lo(counted_hz=Fraction(counted), lo_hz=LO, coarse_hz=coarse, u_hz=u)
        return
    found = side_of_lo(counted_hz=Fraction(counted), lo_hz=LO, coarse_hz=coarse, u_hz=u)
    assert found == sign
    f_rep = f_rep_counted("counted", harmonic=4, lo="lo", sign=found)
    assert f_rep.value({"counted": counted, "lo": LO}) == truth / 4


def test_neither_side_fits() -> None:
    with pytest.raises(AmbiguousError, match=r"neither side fits: 1000000000\.000 Hz") as refused:
        side_of_lo(counted_hz=Fraction(2 * 10**7), lo_hz=LO, coarse_hz=LO, u_hz=1e3)
    assert refused.value.candidates == ()


def test_wrong_arguments() -> None:
    with pytest.raises(InputError):
        side_of_lo(counted_hz=Fraction(-1), lo_hz=LO, coarse_hz=LO, u_hz=1.0)
