"""SP 1065 Tables 30 and 31, to all printed digits."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from labref.stability.catalog import Catalogue

NAMES = ["adev", "oadev", "mdev", "tdev", "hdev", "ohdev", "totdev"]


def printed(value: float, published: float) -> bool:
    """Equal within half a unit of the seventh digit printed."""
    return abs(value / published - 1.0) < 5e-7


@pytest.mark.parametrize("name", NAMES)
def test_table_30_nine_points(sp1065: dict[str, Any], name: str) -> None:
    table = sp1065["nbs9"]
    result = Catalogue()[name](table["freq"], tau0_s=1.0, taus=[1, 2])
    for value, published in zip(result.deviation, table[name], strict=True):
        assert printed(value, published)


@pytest.mark.parametrize("name", NAMES)
def test_table_30_from_phase(sp1065: dict[str, Any], name: str) -> None:
    # the phase is printed to five decimals, after a mean frequency was taken away
    table = sp1065["nbs9"]
    result = Catalogue()[name](table["phase"], tau0_s=1.0, taus=[1, 2], data="phase")
    np.testing.assert_allclose(result.deviation, table[name], rtol=3e-7)


@pytest.mark.parametrize("name", NAMES)
def test_table_31_thousand_points(sp1065: dict[str, Any], thousand: np.ndarray, name: str) -> None:
    table = sp1065["lcg1000"]
    result = Catalogue()[name](thousand, tau0_s=1.0, taus=[1, 10, 100])
    for value, published in zip(result.deviation, table[name], strict=True):
        assert printed(value, published)
    if name in table["n_terms"]:
        assert result.count.tolist() == table["n_terms"][name]


def test_the_generator_is_the_published_one(sp1065: dict[str, Any], thousand: np.ndarray) -> None:
    table = sp1065["lcg1000"]
    assert round(thousand[1] * table["modulus"]) == table["first"][1]
    assert round(thousand[-1] * table["modulus"]) == table["last"]
    for m, key in ((1, 0), (10, 1), (100, 2)):
        averages = thousand.reshape(-1, m).mean(axis=1)
        assert printed(averages.max(), table["max"][key])
        assert printed(averages.min(), table["min"][key])
        assert printed(averages.std(ddof=1), table["stdev_sample"][key])
