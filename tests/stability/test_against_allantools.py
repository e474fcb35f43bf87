"""The yardstick: every statistic agrees with allantools on gap-free records."""

from __future__ import annotations

import subprocess
import sys
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labref.model.errors import InputError
from labref.stability.catalog import Catalogue
from labref.stability.second_opinion import KNOWN, second_opinion
from labref.stability.series import make_series

# Sums of a few thousand terms in another order: 1e-12 leaves three digits to spare.
RTOL = 1e-12


@pytest.mark.parametrize("name", KNOWN)
@pytest.mark.parametrize("taus", ["all", "octave", "decade"])
def test_agrees(name: str, taus: str) -> None:
    y = np.random.default_rng(8).standard_normal(96) * 1e-12 + 7e-9
    series = make_series(y, rate_hz=2.0, name="record")
    result = Catalogue()[name](series, taus=taus)
    opinion = second_opinion(result, series)
    assert opinion.largest < RTOL
    assert opinion.compared >= len(result) - 1


@settings(max_examples=8, deadline=None)
@given(
    n=st.integers(12, 40),
    seed=st.integers(0, 2**32 - 1),
    scale=st.sampled_from([1e-18, 1.0, 1e9]),
    offset=st.sampled_from([0.0, 1e3]),
)
def test_agrees_for_any_record(n: int, seed: int, scale: float, offset: float) -> None:
    y = (np.random.default_rng(seed).standard_normal(n) + offset) * scale
    series = make_series(y, tau0_s=0.3)
    for name in KNOWN:
        result = Catalogue()[name](series, taus="all")
        assert second_opinion(result, series).largest < 1e-9, name


@pytest.mark.parametrize("name", ["oadev", "mdev", "totdev", "ohdev", "htotdev", "mtie"])
def test_long_records_across_block_borders(name: str) -> None:
    # longer than two blocks of the kernels, and not a multiple of anything
    n = 70_001 if name != "htotdev" else 600
    series = make_series(np.random.default_rng(9).standard_normal(n), tau0_s=1.0)
    taus = [1.0, 3.0, 128.0, 8191.0, 20_000.0] if n > 1000 else [1.0, 3.0, 64.0, 199.0]
    result = Catalogue()[name](series, taus=taus)
    assert second_opinion(result, series).largest < 1e-11


@pytest.mark.parametrize(
    "spoil", [lambda y: np.where(np.arange(len(y)) == 5, np.nan, y), None], ids=["gap", "bias"]
)
def test_no_opinion_where_they_cannot_compare(spoil: Any) -> None:
    y = np.random.default_rng(1).standard_normal(64)
    series = make_series(spoil(y) if spoil else y, tau0_s=1.0)
    result = Catalogue()["totdev"](series, gaps="pairs", correct_bias=spoil is None)
    with pytest.raises(InputError):
        second_opinion(result, series)


BLOCKED = ("matplotlib", "numpydoc", "sphinx", "pytest")


def run(code: str) -> str:
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_statistics_run_without_the_yardsticks_own_baggage() -> None:
    # allantools asks for plotting, documentation and test tools at installation; nothing that
    # computes may need them
    code = f"""
import sys
class Block:
    def find_spec(self, name, path=None, target=None):
        if name.split('.')[0] in {BLOCKED!r}:
            raise ImportError('blocked: ' + name)
sys.meta_path.insert(0, Block())
import numpy as np
from labref.stability.catalog import Catalogue
from labref.stability.series import make_series
from labref.stability.second_opinion import second_opinion
from labref.stability.spectrum import spectrum, fit_power_law
series = make_series(np.random.default_rng(0).standard_normal(256), tau0_s=1.0)
for name, statistic in Catalogue().items():
    statistic(series)
fit_power_law(spectrum(series))
print(second_opinion(Catalogue()['oadev'](series), series).largest < 1e-12)
"""
    assert run(code).strip() == "True"


def test_import_is_light() -> None:
    code = """
import sys
import labref.stability, labref.stability.catalog, labref.stability.running
import labref.stability.spectrum, labref.stability.compare, labref.stability.figure
print(sorted({m.split('.')[0] for m in sys.modules} & {'scipy', 'allantools', 'matplotlib'}))
"""
    assert run(code).strip() == "[]"
