"""Records that many stability tests share."""

from __future__ import annotations

import importlib.util
import tomllib
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
