import csv
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.frequency.air import (
    frequency_of_air,
    frequency_of_vacuum,
    of_frequency,
    vacuum_nm,
)
from labref.frequency.refractivity import Air, Formula, index, index_u, sensitivity
from labref.model.errors import InputError

DATA = Path(__file__).parents[1] / "reference_data"


def rows(name: str) -> list[dict[str, str]]:
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


@pytest.mark.parametrize("row", rows("air_index_toolbox.csv"), ids=lambda r: "/".join(r.values()))
def test_fourteen_points_of_the_toolbox(row: dict[str, str]) -> None:
    air = Air(float(row["t_C"]), float(row["p_kPa"]) * 1e3, float(row["RH_pct"]) / 100, 450)
    um = float(row["lambda_vac_nm"]) / 1e3
    assert index(um, air) == pytest.approx(float(row["n_ciddor"]), abs=1e-9)
    assert index(um, air, Formula.EDLEN) == pytest.approx(float(row["n_mod_edlen"]), abs=1e-9)


@pytest.mark.parametrize(
    "row", rows("air_index_ciddor1996.csv"), ids=lambda r: "/".join(list(r.values())[:4])
)
def test_fourteen_points_of_the_paper(row: dict[str, str]) -> None:
    t, p = float(row["t_C"]), float(row["p_Pa"])
    saturated = Air(t, p, 1.0, 450).vapour_pressure_pa()
    air = Air(t, p, float(row["p_w_Pa"]) / saturated, float(row["xc_ppm"]))
    calculated = float(row["1e8(n-1)_calc"])
    assert (index(0.633, air) - 1) * 1e8 == pytest.approx(calculated, abs=0.1)  # 1e-9


@pytest.mark.parametrize(
    ("nu_hz", "vacuum", "in_air"),
    [
        ("411042129776400.4", 729.347276794, 729.150110630),
        ("755222765771000", 396.958978976, 396.848782736),
        ("429228004229872.99", 698.445709613, 698.256711450),
    ],
)
def test_lines_in_the_lab_s_air(nu_hz: str, vacuum: float, in_air: float) -> None:
    got = of_frequency(Fraction(nu_hz), Air())
    assert float(got.vacuum_nm) == pytest.approx(vacuum, abs=6e-10)
    assert float(got.air_nm) == pytest.approx(in_air, abs=1e-9)


def test_sensitivities_near_20_degrees() -> None:
    air = Air()
    assert sensitivity(0.633, air, "temperature_c") == pytest.approx(-9.55e-7, rel=2e-3)
    assert sensitivity(0.633, air, "pressure_pa") == pytest.approx(2.683e-9, rel=2e-3)
    assert sensitivity(0.633, air, "humidity") == pytest.approx(-8.50e-7, rel=3e-3)
    assert sensitivity(0.633, air, "co2_ppm") == pytest.approx(1.43e-10, rel=5e-3)
    assert sensitivity(0.633, Air(humidity=0.0), "humidity") < 0
    assert sensitivity(0.633, Air(temperature_c=-40.0, humidity=0.0), "temperature_c") < 0
    assert sensitivity(0.633, Air(humidity=1.0), "humidity") < 0


def test_uncertainty_of_the_index_against_drawn_air() -> None:
    u = {"u_temperature_c": 0.2, "u_pressure_pa": 50.0, "u_humidity": 0.05, "u_co2_ppm": 50.0}
    air = Air(**u)
    rng = np.random.default_rng(4)
    drawn = [
        index(
            0.729,
            Air(20 + 0.2 * a, 101_325 + 50 * b, 0.5 + 0.05 * c, 450 + 50 * d),
        )
        for a, b, c, d in rng.normal(size=(4000, 4))
    ]
    expected = (float(np.std(drawn)) ** 2 + 1e-16) ** 0.5
    assert index_u(0.729, air) / expected == pytest.approx(1, abs=0.04)
    got = of_frequency(Fraction(411_042_129_776_400), air)
    assert got.u_frequency_hz == pytest.approx(4.11e14 * got.index_u, rel=1e-3)


@given(
    nu=st.fractions(min_value=160 * 10**12, max_value=1400 * 10**12, max_denominator=10),
    t=st.floats(-20, 50),
    p=st.floats(60e3, 110e3),
    h=st.floats(0, 1),
    formula=st.sampled_from(Formula),
)
def test_there_and_back_again(nu: Fraction, t: float, p: float, h: float, formula: Formula) -> None:
    air = Air(t, p, h)
    there = of_frequency(nu, air, formula)
    assert frequency_of_vacuum(there.vacuum_nm) == nu  # exact
    back = frequency_of_air(there.air_nm, air, formula)
    assert abs(float((back.frequency_hz - nu) / nu)) < 3e-16  # the last digit of the index


def test_a_display_is_undone_with_its_own_air_not_with_the_lab_s() -> None:
    nu = Fraction(411_042_129_776_400)
    lab = Air(22.0, 98_000.0, 0.4)
    for fixed in (Air(15.0, 101_325.0, 0.0), Air(20.0, 101_325.0, 0.0), Air(20.0, 101_325.0, 0.5)):
        shown = of_frequency(nu, fixed, Formula.EDLEN).air_nm
        right = frequency_of_air(shown, fixed, Formula.EDLEN).frequency_hz
        wrong = frequency_of_air(shown, lab).frequency_hz
        assert abs(float(right - nu)) < 0.2
        assert 1.9e9 < abs(float(wrong - nu)) < 8.9e9


def test_outside_the_formulas_is_refused() -> None:
    with pytest.raises(InputError, match="humidity = 50"):
        Air(humidity=50)
    with pytest.raises(InputError, match="temperature_c = 293"):
        Air(temperature_c=293.15)
    with pytest.raises(InputError, match="pressure_pa = 1013"):
        Air(pressure_pa=1013.25)
    with pytest.raises(InputError, match=r"0\.2 to 2 um"):
        of_frequency(Fraction(30 * 10**12), Air())
    for wrong in (Fraction(0), Fraction(-1)):
        with pytest.raises(InputError, match="is positive"):
            vacuum_nm(wrong)
        with pytest.raises(InputError, match="is positive"):
            frequency_of_vacuum(wrong)
        with pytest.raises(InputError, match="is positive"):
            frequency_of_air(wrong, Air())
