"""What gates that do not coincide add to the uncertainty (rule M11)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from labref.model.channel import Channel
from labref.model.readings import Floats
from labref.session.align import Aligned

# Above this share of the tolerance the result is a gap, 'not synchronous'.
NOT_SYNCHRONOUS_SHARE = 1 / 3


def extra_errors(weights: Floats, channels: Sequence[Channel], aligned: Aligned) -> Floats:
    """Standard uncertainty in Hz of combining gates that overlap only partly, float64 (n,).

    u^2 = sum over channels of 2(1-c)(a sigma)^2 + (a rate skew)^2, with overlap c, coefficient
    a in ``weights`` (k,), one-gate deviation sigma and largest credible drift ``rate``.
    A channel whose sigma is unknown makes the sum unknown where its gates are apart.
    """
    assert aligned.overlap is not None
    assert aligned.skew_s is not None
    weight = np.abs(weights)[:, None]
    rates = np.array([channel.rate_per_s for channel in channels])[:, None]
    apart = 2 * (1 - aligned.overlap)
    noise = np.where(apart > 0, apart * (weight * aligned.errors) ** 2, 0.0)
    drift = (weight * rates * aligned.skew_s) ** 2
    extra: Floats = np.sqrt(noise.sum(axis=0) + drift.sum(axis=0))
    return extra
