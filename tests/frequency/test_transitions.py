import csv
import math
from fractions import Fraction
from pathlib import Path

import pytest

from labref.frequency import transitions
from labref.frequency.transitions import Catalogue, Transition, Verified, from_table
from labref.model.errors import InputError
from labref.model.exact import exact

ROWS = transitions.find()
MHZ = 10**6


def test_every_required_line_has_exactly_one_default() -> None:
    required = """40Ca+ 397;40Ca+ 393;40Ca+ 866;40Ca+ 850;40Ca+ 854;40Ca+ 732;40Ca+ 729;40Ca 423;
        87Sr 461;87Sr 689;87Sr 698;88Sr 461;88Sr 689;88Sr 698;171Yb 399;171Yb 556;171Yb 578;
        88Sr+ 422;88Sr+ 674;88Sr+ 1092;171Yb+ 369.5;171Yb+ 435.5;171Yb+ 467;171Yb+ 935;
        87Rb 780;87Rb 795;87Rb 778;85Rb 780;85Rb 795;85Rb 778;133Cs 852;133Cs 895;27Al+ 267;
        199Hg 266;115In+ 237;9Be+ 313;25Mg+ 280;127I2 633;127I2 532;13C2H2 1542"""
    names = {name.strip() for name in required.split(";")}
    assert names <= {row.name for row in ROWS}
    for name in {row.name for row in ROWS}:
        assert [row.default for row in ROWS if row.name == name].count(True) == 1, name


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.label())
def test_rows_are_honest_and_physical(row: Transition) -> None:
    assert row.source, "a value without a source is a rumour"
    if row.verified is Verified.SEEN:
        assert "no source" not in row.source
        assert "memory" not in row.source.replace("citation from memory", "")
    if row.uncertainty_hz is None:
        assert "uncertainty was not seen" in row.note
    else:
        assert row.uncertainty_hz < 1e-5 * row.frequency_hz
    # The name of the line is its wavelength in nm (in air or in vacuum).
    nm = float(299_792_458 * 10**9 / row.frequency_hz)
    assert nm == pytest.approx(float(row.line), abs=1.0)
    assert row.component


def test_levels_are_consistent() -> None:
    levels = transitions.catalogue().levels
    assert len({(lv.species, lv.level) for lv in levels if lv.default}) == sum(
        lv.default for lv in levels
    )
    for level in levels:
        assert level.source
        if level.verified is Verified.SEEN:
            assert "no source" not in level.source
        if level.lifetime_s is not None:
            assert level.linewidth_hz * 2 * math.pi * level.lifetime_s == pytest.approx(1, rel=0.06)
        assert (level.g is None) == (not level.g_source)


def test_cipm_values_carry_their_year_and_older_ones_stay_selectable() -> None:
    # The CIPM lists of 2009, 2013, 2015 and 2021.
    expected = {
        2021: "411042129776400.4",
        2015: "411042129776398.4",
        2013: "411042129776395",
        2009: "411042129776393",
    }
    for year, hz in expected.items():
        assert transitions.get("40Ca+ 729", year=year, source="CIPM").frequency_hz == exact(hz)
    newest = transitions.get("40Ca+ 729")
    assert (newest.year, newest.uncertainty_hz) == (2021, pytest.approx(0.74))
    moved = (
        newest.frequency_hz - transitions.get("40Ca+ 729", year=2009, source="CIPM").frequency_hz
    )
    assert moved == Fraction("7.4")
    assert float(moved / newest.frequency_hz) == pytest.approx(1.8e-14, rel=0.01)


def cipm_lists() -> list[dict[str, str]]:
    path = Path(__file__).parents[1] / "reference_data" / "cipm_lists.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


@pytest.mark.parametrize("listed", cipm_lists(), ids=lambda row: f"{row['name']} {row['year']}")
def test_the_cipm_lists(listed: dict[str, str]) -> None:
    row = transitions.get(listed["name"], year=int(listed["year"]), source="CIPM")
    assert row.frequency_hz == exact(listed["frequency_hz"])
    assert row.uncertainty_hz is not None
    relative = row.uncertainty_hz / float(row.frequency_hz)
    assert relative == pytest.approx(float(listed["relative_u"]), rel=0.04)
    assert row.default == (listed["year"] == "2021")


def test_ritz_closure_of_the_adjusted_calcium_set_to_1_khz() -> None:
    nu = {
        line: transitions.get(f"40Ca+ {line}", source="Kramida").frequency_hz
        for line in ("397", "393", "866", "850", "854", "732")
    }
    nu["729"] = transitions.get("40Ca+ 729").frequency_hz
    assert abs(nu["397"] - nu["866"] - nu["732"]) <= 1000
    assert abs(nu["393"] - nu["850"] - nu["732"]) <= 1000
    assert abs(nu["393"] - nu["854"] - nu["729"]) <= 1000


def test_published_values_of_397_disagree_and_the_catalogue_says_so() -> None:
    rows = transitions.find("40Ca+ 397")
    values = [row.frequency_hz for row in rows if row.year != 2008]
    assert float(max(values) - min(values)) == pytest.approx(0.235e6)
    assert rows[0].default
    assert "scatter by 0.24 MHz" in rows[0].note
    widths = [
        level.linewidth_hz
        for level in transitions.catalogue().levels
        if (level.species, level.level) == ("40Ca+", "2P1/2")
    ]
    assert widths == [23.05e6, 22.42e6]
    assert rows[0].linewidth_hz == 23.05e6


def test_the_rubidium_crossover_from_centroid_and_hyperfine_constants() -> None:
    # 87Rb constants from D. A. Steck's data, from memory: A(5S1/2) = 3417.341305452, A(5P3/2) =
    # 84.7185, B(5P3/2) = 12.4965 MHz. CIPM 2015 gives 384 227 981.9 MHz for d/f.
    def hyperfine(f: int, j: Fraction, a: Fraction, b: Fraction = Fraction(0)) -> Fraction:
        i = Fraction(3, 2)
        k = f * (f + 1) - i * (i + 1) - j * (j + 1)
        shift = a * k / 2
        if b:
            top = Fraction(3, 2) * k * (k + 1) - 2 * i * (i + 1) * j * (j + 1)
            shift += b * top / (4 * i * (2 * i - 1) * j * (2 * j - 1))
        return shift

    a, b = Fraction("84.7185"), Fraction("12.4965")
    j = Fraction(3, 2)
    ground = hyperfine(2, Fraction(1, 2), Fraction("3417.341305452"))
    upper = (hyperfine(2, j, a, b) + hyperfine(3, j, a, b)) / 2
    centroid = transitions.get("87Rb 780", component="centroid").frequency_hz / MHZ
    crossover = centroid + upper - ground
    assert float(crossover) == pytest.approx(384_227_981.877, abs=0.001)
    listed = transitions.get("87Rb 780", component="d/f")
    assert abs(crossover * MHZ - listed.frequency_hz) < Fraction(listed.uncertainty_hz or 0)
    # Centroid and the cooling component differ by 2.4 GHz.
    cooling = transitions.get("87Rb 780", component="F=2 - F'=3").frequency_hz / MHZ
    assert float(centroid - cooling) == pytest.approx(2369.3, abs=0.1)
    assert float(ground) + float(-hyperfine(3, j, a, b)) == pytest.approx(2369.3, abs=0.1)


def test_iodine_against_an_independent_measurement() -> None:
    # EURAMET project final report, 15 October 2004.
    listed = transitions.get("127I2 633", year=2003, component="a16")
    measured = transitions.get("127I2 633", year=2004)
    assert abs(listed.frequency_hz - measured.frequency_hz) < Fraction(listed.uncertainty_hz or 0)
    assert len(transitions.find("127I2 633 R(127)")) == 15


def test_two_photon_lines_say_what_is_listed() -> None:
    for name in ("85Rb 778", "87Rb 778"):
        assert "half of the two-photon energy" in transitions.get(name).lists


def test_isotopes_of_strontium_differ_by_62_mhz() -> None:
    gap = transitions.get("88Sr 698").frequency_hz - transitions.get("87Sr 698").frequency_hz
    assert float(gap) == pytest.approx(62.188134e6, rel=1e-6)


def test_find_and_get() -> None:
    assert {row.name for row in transitions.find("ca+ 86")} >= {"40Ca+ 866"}
    assert all("1542" in row.line for row in transitions.find("acet 1542 13c2h2") or [])
    assert transitions.find("nothing such") == ()
    with pytest.raises(InputError, match="no transition '40Ca 729': there is 40Ca 423, 40Ca\\+"):
        transitions.get("40Ca 729")
    with pytest.raises(InputError, match="0 rows fit; there are"):
        transitions.get("40Ca+ 729", year=1999)
    row = transitions.get(" 40Ca+  729 ")
    assert row.as_dict()["frequency_hz"] == "411042129776400.4"
    assert row.as_dict()["verified"] == "computed"


def test_a_lab_adds_its_own_with_a_source() -> None:
    table = {
        "species": "40Ca+",
        "line": "729",
        "component": "ours",
        "frequency_hz": "411042129776400.1",
        "uncertainty_hz": 3.0,
        "source": "logbook 12, page 3 (invented)",
        "default": True,
    }
    ours = transitions.catalogue().plus([from_table(table)])
    assert ours.get("40Ca+ 729").component == "ours"
    assert ours.get("40Ca+ 729", year=2021).frequency_hz == exact("411042129776400.4")
    assert isinstance(ours, Catalogue)
    for change, message in [
        ({"source": ""}, "source is missing"),
        ({"frequency_hz": 4.11e14}, "not exact"),
        ({"uncertainty_hz": -1}, "uncertainty_hz is a positive number"),
        ({"verified": "sure"}, "seen, computed or memory"),
        ({"frequncy_hz": "1"}, "unknown key frequncy_hz"),
    ]:
        with pytest.raises(InputError, match=message):
            from_table(table | change)
