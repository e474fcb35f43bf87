"""Records that many stability tests share."""

from __future__ import annotations

import importlib.util
import tomllib
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

REFERENCE_DATA = Path(__file__).parent.parent / "reference_data"


@pytest.fixture(scope="session")
def sp1065() -> dict[str, Any]:
    """Tables 30 and 31 of SP 1065."""
    return tomllib.loads((REFERENCE_DATA / "sp1065_table_30_31.toml").read_text("utf-8"))


@pytest.fixture(scope="session")
def thousand() -> npt.NDArray[np.float64]:
    """The 1000-point frequency set of SP 1065 sec. 12.4: a linear congruential generator."""
    state, values = 1234567890, []
    for _ in range(1000):
        values.append(state / 2147483647)
        state = 16807 * state % 2147483647
    return np.array(values)


@pytest.fixture(scope="session")
def sdist() -> Path:
    """The allantools source distribution: real records with shipped results."""
    spec = importlib.util.spec_from_file_location(
        "sdist_cache", REFERENCE_DATA / "../sdist_cache.py"
    )
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    folder: Path = module.allantools_sdist()
    return folder


def power_law_noise(alpha: int, n: int, rng: np.random.Generator) -> npt.NDArray[np.float64]:
    """Return n fractional frequencies with S_y ~ f^alpha, white FM of unit variance for 0.

    Fractional differencing of white noise (N. J. Kasdin, Proc. IEEE 83, 802 (1995)), with as
    long a history before the first value that is returned.
    """
    k = np.arange(1, 2 * n)
    response = np.concatenate(([1.0], np.cumprod((k - 1 - alpha / 2.0) / k)))
    shock = rng.standard_normal(2 * n)
    whole = np.fft.irfft(np.fft.rfft(response, 4 * n) * np.fft.rfft(shock, 4 * n), 4 * n)
    return whole[n : 2 * n].copy()


@pytest.fixture(scope="session")
def noise() -> Callable[[int, int, np.random.Generator], npt.NDArray[np.float64]]:
    """The generator of power-law noise."""
    return power_law_noise


@pytest.fixture(scope="session")
def seed_of_today() -> int:
    """Seed for long counts, drawn from the date: another one each day, the same all day."""
    today = datetime.now(UTC).date()
    return int(today.strftime("%Y%m%d"))
