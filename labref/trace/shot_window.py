"""A shot's mean as the plain answer to 'what was the frequency then': one model for both (M12)."""

from __future__ import annotations

import math

from labref.model.shot import ShotMean, WindowClock
from labref.model.window import WindowMean

# Windows asked for by the trace's own stamps need no alignment.
TRACE_CLOCK = WindowClock("trace", 0, 0)


def window_of(mean: ShotMean) -> WindowMean:
    """Return what ``mean`` says of its window's frequency, in Hz.

    The constant part holds reference, path and target; alignment belongs to the unmeasured one.
    """
    measured = mean.coverage > 0
    return WindowMean(
        mean.nominal_hz,
        mean.offset_hz,
        mean.u_counting_hz if measured else math.inf,
        math.hypot(mean.u_unmeasured_hz, mean.u_alignment_hz),
        math.hypot(mean.u_reference_hz, mean.u_path_hz, mean.u_target_hz),
        mean.coverage,
        mean.gates,
    )
