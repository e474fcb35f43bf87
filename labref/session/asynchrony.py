"""What gates that do not coincide add to the uncertainty (rule M11)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from labref.frequency.asynchrony import mixed_factor
from labref.model.channel import Channel
from labref.model.readings import Floats
from labref.session.align import Aligned

# Above this share of the tolerance the result is a gap, 'not synchronous'.
NOT_SYNCHRONOUS_SHARE = 1 / 3


def mixed_factors(base: Channel, channels: Sequence[Channel]) -> Floats:
    """For each channel what its weighting adds against the base's, in units of sigma, (k,).

    Zero for equal weightings; 0.58, 0.45 for Pi against Lambda and Omega of the same gate.
    """
    return np.array(
        [
            0.0 if c.weighting is base.weighting else mixed_factor(base.weighting, c.weighting)
            for c in channels
        ]
    )


def extra_errors(
    weights: Floats, channels: Sequence[Channel], mixed: Floats, aligned: Aligned
) -> Floats:
    """Standard uncertainty in Hz of combining gates that overlap only partly, float64 (n,).

    u^2 = sum over channels of (2(1-c) + m^2)(a sigma)^2 + (a rate skew)^2, with overlap c,
    coefficient a in ``weights`` (k,), ``mixed`` m (k,), one-gate deviation sigma and largest
    credible drift ``rate``. A channel whose sigma is unknown makes the sum unknown where its
    gate is another one.
    """
    assert aligned.overlap is not None
    assert aligned.skew_s is not None
    weight = np.abs(weights)[:, None]
    rates = np.array([channel.rate_per_s for channel in channels])[:, None]
    apart = 2 * (1 - aligned.overlap) + mixed[:, None] ** 2
    noise = np.where(apart > 0, apart * (weight * aligned.errors) ** 2, 0.0)
    drift = (weight * rates * aligned.skew_s) ** 2
    extra: Floats = np.sqrt(noise.sum(axis=0) + drift.sum(axis=0))
    return extra
