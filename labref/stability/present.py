"""A deviation as plain values for JSON: NaN becomes null, arrays become lists."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from labref.model.deviation import Deviation
from labref.stability.masks import MaskVerdict


def as_values(result: Deviation) -> dict[str, Any]:
    """Return every field of a result; lists have one entry per averaging time."""
    gaps = result.gaps
    return {
        "statistic": result.statistic,
        "title": result.title,
        "unit": result.unit,
        "name": result.name,
        "tau0_s": result.tau0_s,
        "tau_s": _numbers(result.tau_s),
        "effective_tau_s": _numbers(result.effective_tau_s),
        "m": result.m.tolist(),
        "deviation": _numbers(result.deviation),
        "lower": _numbers(result.lower),
        "upper": _numbers(result.upper),
        "confidence": result.confidence,
        "edf": _numbers(result.edf),
        "edf_source": result.edf_source,
        "count": result.count.tolist(),
        "noise": list(result.noise),
        "alpha": _numbers(result.alpha),
        "noise_method": list(result.noise_method),
        "bias": {
            "applied": result.bias.applied,
            "factor": _numbers(result.bias.factor),
            "table": result.bias.table,
        },
        "gaps": {
            "policy": gaps.policy,
            "total": gaps.total,
            "missing": gaps.missing,
            "gaps": gaps.gaps,
            "longest_gap": gaps.longest_gap,
            "used": gaps.used,
            "runs": gaps.runs,
            "phase_kept": gaps.phase_kept,
            "text": str(gaps),
        },
        "equation": result.equation,
        "source": result.source,
        "loop": result.loop,
        "weighting": result.weighting,
        "omitted": [{"tau_s": gone.tau_s, "reason": gone.reason} for gone in result.omitted],
        "notes": list(result.notes),
    }


def verdict_values(verdict: MaskVerdict) -> dict[str, Any]:
    """Return what a mask verdict says, per averaging time and over all."""
    return {
        "mask": verdict.mask.name,
        "source": verdict.mask.source,
        "tau_s": _numbers(verdict.tau_s),
        "limit": _numbers(verdict.limit),
        "margin": _numbers(verdict.margin),
        "state": [state.word for state in verdict.state],
        "overall": verdict.overall.word,
        "note": verdict.note,
    }


def _numbers(values: np.ndarray[Any, np.dtype[np.float64]]) -> list[float | None]:
    return [value if math.isfinite(value) else None for value in values.tolist()]
