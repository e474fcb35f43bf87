"""The mean over a window that is not a gate, and whether it was good (rules M4, M12).

The error of a window's mean has a measured part (counting noise of the gates used, by their
actual weights), an unmeasured part (the light's own noise where gate and window do not
coincide, or where nothing was measured) and a constant part that does not average.

For white FM of deviation sigma at gate T the light is white with density sigma^2*T, so that
the unmeasured part is exactly sigma^2 * T * integral (w_window - w_used)^2 dt: a 100 ms window
inside a 1 s gate differs from the gate's mean by 3.0 sigma. Drift adds its lever arm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from labref.model.readings import Floats, Ints
from labref.model.times import NS_PER_S
from labref.model.verdict import State


@dataclass(frozen=True, slots=True)
class WindowMean:
    """Mean frequency over a window: exact nominal + offset_hz, with its uncertainty.

    ``u_hz`` combines ``u_counting_hz`` (measured part), ``u_unmeasured_hz`` (noise and drift
    between gate and window) and ``u_constant_hz``; one sigma each. ``coverage`` is the
    measured fraction of the window, 0 to 1; with 0 the offset is NaN and u infinite.
    """

    nominal_hz: Fraction
    offset_hz: float
    u_counting_hz: float
    u_unmeasured_hz: float
    u_constant_hz: float
    coverage: float
    gates: int

    @property
    def u_hz(self) -> float:
        """Combined standard uncertainty in Hz."""
        return math.hypot(self.u_counting_hz, self.u_unmeasured_hz, self.u_constant_hz)

    @property
    def frequency_hz(self) -> Fraction:
        """Exact nominal plus offset. Raises ValueError where nothing was measured."""
        return self.nominal_hz + Fraction(self.offset_hz)


def overlaps(start_ns: Ints, stop_ns: Ints, begin_ns: int, end_ns: int) -> Ints:
    """Nanoseconds that each gate shares with the window, int64 (n,)."""
    shared: Ints = np.minimum(stop_ns, end_ns) - np.maximum(start_ns, begin_ns)
    return np.maximum(shared, 0)


def window_mean(
    nominal_hz: Fraction,
    start_ns: Ints,
    stop_ns: Ints,
    offset_hz: Floats,
    errors_hz: Floats,
    usable: npt.NDArray[np.bool_],
    window: tuple[int, int],
    *,
    noise_hz: float = 0.0,
    rate_hz_s: float = 0.0,
    u_constant_hz: float = 0.0,
) -> WindowMean:
    """Mean over ``window`` (begin, end in ns UTC) of gates given as arrays (n,).

    ``errors_hz``: counting noise per gate; ``noise_hz``: the light's own deviation at one
    gate; ``rate_hz_s``: largest credible drift. Gates with dead time count as they are.
    """
    begin_ns, end_ns = window
    if end_ns <= begin_ns:
        raise ValueError("a window ends after it begins")
    shared = np.where(usable, overlaps(start_ns, stop_ns, begin_ns, end_ns), 0)
    used = shared > 0
    covered = float(shared.sum())
    length = float(end_ns - begin_ns)
    if covered == 0:
        return WindowMean(nominal_hz, math.nan, math.inf, math.inf, u_constant_hz, 0.0, 0)
    share = shared[used].astype(np.float64)
    weight = share / covered
    gate = (stop_ns[used] - start_ns[used]).astype(np.float64)
    counting = float(np.sqrt(np.sum((weight * errors_hz[used]) ** 2)))
    density = noise_hz**2 * float(np.mean(gate))
    inside = share * (1 / length - weight / gate) ** 2 + (gate - share) * (weight / gate) ** 2
    white = math.sqrt(density * (float(inside.sum()) + (length - covered) / length**2))
    middle = (start_ns[used] - begin_ns).astype(np.float64) + gate / 2
    lever_s = abs(float(np.sum(weight * middle)) - length / 2) / NS_PER_S
    return WindowMean(
        nominal_hz,
        float(np.sum(weight * offset_hz[used])),
        counting,
        math.hypot(white, rate_hz_s * lever_s),
        u_constant_hz,
        covered / length,
        int(used.sum()),
    )


def window_state(
    start_ns: Ints,
    stop_ns: Ints,
    states: npt.NDArray[np.uint8],
    window: tuple[int, int],
    *,
    dead_ns: int = 0,
) -> State:
    """Whether the whole window was good: State.

    Bad if any gate in it was bad. Good only if good gates cover all of it; holes of at most
    ``dead_ns`` between gates (the counter's declared dead time) count as covered.
    """
    begin_ns, end_ns = window
    touched = overlaps(start_ns, stop_ns, begin_ns, end_ns) > 0
    if np.any(states[touched] == State.BAD):
        return State.BAD
    if not np.any(touched) or np.any(states[touched] != State.GOOD):
        return State.UNKNOWN
    starts, stops = start_ns[touched], stop_ns[touched]
    edges_ok = starts[0] - begin_ns <= dead_ns and end_ns - stops[-1] <= dead_ns
    holes_ok = bool(np.all(starts[1:] - stops[:-1] <= dead_ns))
    return State.GOOD if edges_ok and holes_ok else State.UNKNOWN
