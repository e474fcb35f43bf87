"""Real records against the results shipped beside them in the allantools source distribution.

The reference program printed five digits, so agreement is at best 5e-5; where a file needs more
room, `OCTAVE_OSCILLATOR` says why.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from labref.stability.catalog import Catalogue
from labref.stability.confidence import chi2_bounds
from labref.stability.estimators import BUILT_IN
from labref.stability.series import Series, make_series

ESTIMATORS = {estimator.name: estimator for estimator in BUILT_IN}
PRINTED = 5e-5
LONGEST_EXACT_M = 300  # statistics that cost O(N^2) are compared up to here
SLOW = ("mtotdev", "ttotdev", "htotdev", "theo1")

# The octave files of the oscillator were made from y near 1.0 with truncated digits, before the
# nominal was removed; its total deviation also carries a bias correction by noise type there.
OCTAVE_OSCILLATOR = {"totdev": 1.3e-2, "ohdev": 2e-3, "adev": 2e-4, "hdev": 2e-4}
# published with the bias corrected by the noise type printed beside each value
CORRECTED = ("phase_dat_mtotdev.txt", "phase_dat_ttotdev_all.txt", "phase_dat_htotdev_octave.txt")
# published for flicker PM with an older, constant correction
OLDER = ("phase_dat_theo1.txt",)


@dataclass(frozen=True)
class Record:
    """A record of the distribution and how to read it."""

    pattern: str
    data: str = "phase"
    tau0_s: float = 1.0
    nominal_hz: int | None = None
    points: int = 0


RECORDS = [
    Record("Cs*/*_phase.txt.gz", points=556_990),
    Record("gps/gps_1pps_phase_data.txt.gz", points=241_218),
    Record("ocxo/ocxo_frequency.txt", "offset", nominal_hz=10_000_000, points=19_982),
    Record("*_ti_noise_floor/tic_phase.txt", points=55_688),
    Record("pink_frequency/pink_frequency.txt", "frequency", tau0_s=42.0, points=10_000),
    Record("phasedat/PHASE.DAT", points=1001),
]


def read(record: Record, sdist: Path) -> tuple[Path, Series]:
    path = next((sdist / "tests").glob(record.pattern))
    values = np.loadtxt(path, comments="#")
    assert len(values) == record.points
    if record.nominal_hz:
        values = values - record.nominal_hz  # exact: both below 2^53 in the printed digits
    series = make_series(
        values, tau0_s=record.tau0_s, data=record.data, nominal_hz=record.nominal_hz
    )
    return path.parent, series


def rows_of(path: Path) -> np.ndarray:
    """Averaging factor, sigma, lowest, highest, alpha; bounds 0 where none were printed."""
    rows = []
    for line in path.read_text("latin-1").splitlines():
        try:
            numbers = [float(word) for word in line.split()]
        except ValueError:
            continue
        if len(numbers) == 4:  # MTIE and TIErms have no bounds
            rows.append([numbers[0], numbers[3], 0.0, 0.0, 0.0])
        elif len(numbers) == 7:
            rows.append([numbers[0], numbers[5], numbers[4], numbers[6], numbers[3]])
    return np.array(rows)


def statistic_of(path: Path) -> str | None:
    stem = path.stem.lower().replace("phase_dat", "")
    names = sorted((name for name in ESTIMATORS if name in stem), key=len)
    return names[-1] if names else None


@pytest.mark.parametrize("record", RECORDS, ids=lambda record: record.pattern.split("/")[0])
def test_against_the_shipped_results(record: Record, sdist: Path) -> None:
    folder, series = read(record, sdist)
    compared = 0
    for path in sorted(folder.glob("*.txt")):
        name = statistic_of(path)
        if name is None or path.name in OLDER:
            continue
        rows = rows_of(path)
        rows = rows[:: max(len(rows) // 25, 1)]
        if name in SLOW:
            rows = rows[rows[:, 0] <= LONGEST_EXACT_M]
        result = Catalogue()[name](
            series, taus=(rows[:, 0] * record.tau0_s).tolist(), noise_alpha=0
        )
        rows = rows[np.isin(rows[:, 0], result.m)]
        factor = np.ones(len(rows))
        if path.name in CORRECTED:
            bias = ESTIMATORS[name].bias
            factor = np.array([bias(int(row[4]), int(row[0]), len(series)) for row in rows])
        room = PRINTED
        if "octave" in path.name and folder.name == "ocxo":
            room = OCTAVE_OSCILLATOR.get(name, 1.4e-3)
        np.testing.assert_allclose(
            result.deviation / np.sqrt(factor), rows[:, 1], rtol=room, err_msg=path.name
        )
        compared += len(rows)
    assert compared > 100


@pytest.mark.parametrize("record", RECORDS, ids=lambda record: record.pattern.split("/")[0])
def test_printed_bounds(record: Record, sdist: Path) -> None:
    # with the printed noise type; the total variances of the reference program use other edf
    folder, series = read(record, sdist)
    compared = 0
    for path in sorted(folder.glob("*.txt")):
        name = statistic_of(path)
        if name is None or "tot" in name or name in ("theo1", "mtie", "tierms"):
            continue
        rows = rows_of(path)
        rows = rows[rows[:, 2] > 0.0]
        if not len(rows):
            continue
        edf = [
            ESTIMATORS[name].edf(int(alpha), int(m), len(series))
            for m, alpha in zip(rows[:, 0], rows[:, 4], strict=True)
        ]
        lower, upper = chi2_bounds(rows[:, 1], edf, 0.683)
        np.testing.assert_allclose(lower, rows[:, 2], rtol=6e-4, err_msg=path.name)
        np.testing.assert_allclose(upper, rows[:, 3], rtol=6e-4, err_msg=path.name)
        compared += len(rows)
    assert compared >= 12


def test_published_bounds_of_the_thousand_points(sdist: Path) -> None:
    # 68.3 % rows shipped with the 1000-point phase set, white FM
    _, series = read(RECORDS[-1], sdist)
    result = Catalogue()["oadev"](series, taus=[1, 8, 32, 128], noise_alpha=0)
    published = [
        (0.28515, 0.29223, 0.29987),
        (0.10038, 0.10570, 0.11198),
        (0.043654, 0.048082, 0.054202),
        (0.023045, 0.027674, 0.037027),
    ]
    ours = np.stack([result.lower, result.deviation, result.upper], axis=1)
    np.testing.assert_allclose(ours, published, rtol=4e-4)
    np.testing.assert_allclose(result.edf, [782.03, 165.99, 43.35, 9.551], rtol=1e-4)


def test_record_with_gaps(sdist: Path) -> None:
    values = np.loadtxt(sdist / "tests/gradev/y_gap.dat")
    assert np.isnan(values).sum() == 200
    result = Catalogue()["oadev"](values, tau0_s=1.0, gaps="pairs", taus="octave")
    assert result.gaps.missing == 200
    assert np.isfinite(result.deviation).all()
    assert "200 of 1000" in str(result.gaps)
