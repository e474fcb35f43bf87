"""The compiled path gives the digits of the numpy path; without numba nothing is missing."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from labref.stability import estimators, fast
from labref.stability.deviations import oadev

NAMES = sorted(fast.COMPILED)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("n", [3, 5, 12, 301, 9001])
def test_same_digits(name: str, n: int, need_package: Any) -> None:
    need_package("numba")
    rng = np.random.default_rng(n)
    x = np.cumsum(rng.standard_normal(n)) + 0.3 * np.arange(n) + 5.0
    estimator = next(e for e in estimators.BUILT_IN if e.name == name)
    longest = estimator.longest(n)
    if not longest:
        return
    octave = 2 ** np.arange(longest.bit_length(), dtype=np.int64)
    every = np.unique(np.linspace(1, longest, 12).astype(np.int64))
    for ms in (octave[octave <= longest], every):
        chosen = ms[ms % 2 == 0] if estimator.even else ms
        ours, count = fast.COMPILED[name](x, chosen)
        plain, plain_count = estimator.kernel(x, chosen)
        np.testing.assert_allclose(ours, plain, rtol=1e-12)
        np.testing.assert_array_equal(count, plain_count)


def test_plain_path_without_numba(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fast, "installed", lambda: False)
    kernel = estimators.OADEV.kernel
    assert fast.kernel_for("oadev", kernel, 10**7) is kernel
    y = np.random.default_rng(0).standard_normal(fast.WORTH_IT + 1)
    assert len(oadev(y, tau0_s=1.0)) == 17


def test_short_records_stay_in_numpy(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fast, "installed", lambda: True)
    kernel = estimators.OADEV.kernel
    assert fast.kernel_for("oadev", kernel, 1000) is kernel
    assert fast.kernel_for("adev", kernel, 10**7) is kernel
    assert fast.kernel_for("oadev", kernel, 10**7) is not kernel
