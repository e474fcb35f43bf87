"""Records that many stability tests share."""

from __future__ import annotations

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
