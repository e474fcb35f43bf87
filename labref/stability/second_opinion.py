"""A second opinion: the same statistic by allantools, on the same record.

allantools is the yardstick of this package. This module runs it beside ours and reports the
largest relative difference; it is slow on long records (that is why it is not the engine) and
has no gap handling, so it sees gap-free series only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from labref.model.deviation import Deviation
from labref.model.errors import InputError
from labref.stability.series import Series

KNOWN = (
    "adev",
    "oadev",
    "mdev",
    "tdev",
    "hdev",
    "ohdev",
    "totdev",
    "mtotdev",
    "ttotdev",
    "htotdev",
    "theo1",
    "pdev",
    "mtie",
    "tierms",
)


@dataclass(frozen=True)
class SecondOpinion:
    """How far two computations of one statistic are apart.

    Attributes:
        statistic, version: what was computed, by which release of allantools.
        compared: number of averaging times both gave.
        largest: largest relative difference of the deviations.
    """

    statistic: str
    version: str
    compared: int
    largest: float


def second_opinion(result: Deviation, series: Series) -> SecondOpinion:
    """Compute `result` again with allantools.

    Args:
        result: a deviation of `series` without bias correction.
        series: the gap-free series it was computed from.

    Raises:
        InputError: the series has gaps, a bias was corrected, or allantools has no such statistic.
    """
    name = result.statistic.split("_of_")[0].split("_with_")[0]
    if name not in KNOWN:
        raise InputError(f"allantools has no statistic {name!r}")
    if series.has_gaps:
        raise InputError(f"{series.name}: allantools drops what follows a gap; no second opinion")
    if result.bias.applied:
        raise InputError(f"{series.name}: allantools corrects no bias; compare without correction")
    import allantools

    taus, values, _, _ = getattr(allantools, name)(
        series.phase_s,
        rate=1.0 / series.tau0_s,
        data_type="phase",
        taus=np.asarray(result.tau_s),
    )
    theirs = {round(tau / series.tau0_s): value for tau, value in zip(taus, values, strict=True)}
    pairs = [
        (ours, theirs[m])
        for m, ours in zip(result.m.tolist(), result.deviation.tolist(), strict=True)
        if m in theirs
    ]
    if not pairs:
        raise InputError(f"{series.name}: allantools gives no value at these averaging times")
    largest = max(abs(ours / other - 1.0) for ours, other in pairs)
    return SecondOpinion(name, str(allantools.__version__), len(pairs), float(largest))
