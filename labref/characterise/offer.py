"""A characterised light as a reference that planning can use (form: `labref.planning.offers`)."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from labref.model.deviation import Deviation
from labref.model.exact import exact_text
from labref.stability.drift import Drift
from labref.stability.series import Series
from labref.stability.whittle import Fit


def offer_of(
    name: str,
    title: str,
    series: Series,
    found: Deviation,
    drift: Drift | None,
    fit: Fit | None,
    source: str,
) -> dict[str, Any]:
    """Return the entries that this record supports; accuracy it cannot know (M3)."""
    offer: dict[str, Any] = {
        "labref_offer": 1,
        "name": name,
        "title": title,
        "part": "whole",
        "source": source,
        "accuracy": {
            "known": False,
            "source": "a deviation does not tell accuracy: state u from the reference's budget",
        },
    }
    if drift is not None:
        offer["drift"] = {
            "per_s": drift.rate_per_s, "u_per_s": drift.u_rate_per_s,
            "source": "straight line, uncertainty from the noise found",
        }  # fmt: skip
    known = np.isfinite(found.upper) & (found.deviation > 0.0)
    if found.statistic in ("adev", "oadev") and known.sum() >= 2:
        offer["sigma_y"] = {
            "statistic": found.statistic,
            "tau_s": found.tau_s[known].tolist(),
            "value": found.deviation[known].tolist(),
            "upper": found.upper[known].tolist(),
            "source": f"{found.gaps}; bounds at {found.confidence!r}",
        }
    if fit is not None and series.nominal_hz is not None:
        nominal = series.nominal_hz
        low, high = fit.law.f_low_hz, fit.law.f_high_hz
        f = np.geomspace(low, high, max(2, math.ceil(4 * math.log10(high / low)) + 1))
        density = fit.law.density(f) * float(nominal) ** 2
        if (density > 0.0).all():
            offer["nominal_hz"] = exact_text(nominal)
            offer["s_nu"] = {
                "f_hz": f.tolist(), "value": density.tolist(),
                "source": "power law by the Whittle likelihood of the same record",
            }  # fmt: skip
    return offer
