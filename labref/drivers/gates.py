"""When a gate was: the gate's index is the time base, arrivals are fitted against it (M20)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labref.model.readings import Ints
from labref.model.times import NS_PER_S, Clock

# Below this a difference of the two host clocks is the time between two calls, not a step.
_STEP_NS = 1_000_000
_TIGHT_NS = 50_000
_LOOK_NS = 20_000_000
_WINDOW = 128
_FEW = 16
_MOST_SLOPE = 1e-3

# A busy host or network delays arrivals by so much for a while; a slope must show beyond it.
_HICCUP_NS = 250_000_000
_PERIOD_NS = 200_000_000
_MOST_EARLY = 3


class HostTime:
    """UTC stamps that run with the monotonic clock, so that a step of UTC is seen as a step.

    ``now_ns()`` is monotonic time plus a held offset. `stepped` compares the offset anew,
    at most every 20 ms; a change above 1 ms is taken over and returned.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._offset_ns = self._measure()
        self._looked_ns = self.monotonic_ns()

    def now_ns(self) -> int:
        """UTC now, ns since 1970."""
        return self.monotonic_ns() + self._offset_ns

    def monotonic_ns(self) -> int:
        """Monotonic time in ns."""
        return round(self._clock.monotonic_s() * NS_PER_S)

    def utc_ns(self, monotonic_ns: int) -> int:
        """UTC of a monotonic instant."""
        return monotonic_ns + self._offset_ns

    def stepped(self) -> int:
        """Return by how many ns UTC has stepped since the last call (0: not at all)."""
        now_ns = self.monotonic_ns()
        if now_ns - self._looked_ns < _LOOK_NS:
            return 0
        self._looked_ns = now_ns
        step_ns = self._measure() - self._offset_ns
        if abs(step_ns) < _STEP_NS:
            return 0
        self._offset_ns += step_ns
        return step_ns

    def _measure(self) -> int:
        best_ns, best_width = 0, math.inf
        for _ in range(5):
            before_ns = self.monotonic_ns()
            utc_ns = self._clock.now_ns()
            after_ns = self.monotonic_ns()
            if after_ns - before_ns < best_width:
                best_width = after_ns - before_ns
                best_ns = utc_ns - (before_ns + after_ns) // 2
            if best_width < _TIGHT_NS:
                break
        return best_ns


@dataclass(frozen=True, slots=True)
class Fit:
    """The line through recent arrivals: gate lengths as the host sees them.

    ``end_ns`` (monotonic) of the newest gate at the earliest credible delay; ``slope`` the
    counter's clock against the host's minus one (fractional); ``u_ns`` the scatter of the
    arrivals, one sigma: the uncertainty of a stamp; ``span_ns`` from the first arrival to the last.
    """

    end_ns: float
    slope: float
    u_ns: float
    span_ns: float = 0.0


class _Points:
    """The last (index, arrival in ns) pairs as one int64 array: no conversion at every fit."""

    def __init__(self) -> None:
        self._rows = np.zeros((4 * _WINDOW, 2), np.int64)
        self._end = 0
        self.last_index = 0

    def __len__(self) -> int:
        return min(self._end, _WINDOW)

    @property
    def array(self) -> Ints:
        """The pairs, oldest first, int64 (n, 2), n at most the window."""
        return self._rows[max(0, self._end - _WINDOW) : self._end]

    def append(self, index: int, arrival_ns: int) -> None:
        """Add a pair; the oldest is forgotten."""
        if self._end == len(self._rows):
            self._rows[:_WINDOW] = self._rows[-_WINDOW:]
            self._end = _WINDOW
        self._rows[self._end] = index, arrival_ns
        self._end += 1
        self.last_index = index

    def clear(self) -> None:
        """Forget all."""
        self._end = 0


class GateClock:
    """Stamps consecutive gates of ``gate_ns`` from their arrivals.

    Arrivals are late, never early: the line's slope is least squares over the last 128
    arrivals, its height the earliest of them. Stamps stay on a lattice of exactly ``gate_ns``,
    so that gates touch; the lattice is shifted only when it has left the line by more than a
    thousandth of a gate, 0.1 ms and twice the scatter of the arrivals.
    ``spread_ns``: how much later than others an arrival may be by the way it is fetched.
    """

    def __init__(self, gate_ns: int, spread_ns: int = 0) -> None:
        self.gate_ns = gate_ns
        self._earliest_ns = max(gate_ns * 3 // 10, 5_000_000) + spread_ns
        self.index = -1
        self._points = _Points()
        self._earliest: tuple[int, int] | None = None
        self._fitted_ns = 0
        self._lattice_ns = 0
        self._origin_ns = 0
        self._tolerance_ns = max(100_000, gate_ns // 1000)
        self.fit = Fit(0.0, 0.0, gate_ns / 2)
        self._early = 0
        self._settled = False

    @property
    def is_strange(self) -> bool:
        """Whether arrivals do not fit gates of this length: the gate time was changed.

        A gate cannot arrive before it has ended, nor a good clock be wrong by 1e-3. One early
        arrival only tells that all before it were late; several in a row are shorter gates.
        """
        if self._early >= _MOST_EARLY:
            return True
        away_ns = abs(self.fit.slope) * self.fit.span_ns
        return abs(self.fit.slope) > _MOST_SLOPE and away_ns > _HICCUP_NS

    def reset(self) -> None:
        """Forget everything: after a reconnection the index has another meaning."""
        self.index = -1
        self._points.clear()
        self._earliest = None
        self._early, self._settled = 0, False
        self.fit = Fit(0.0, 0.0, self.gate_ns / 2)

    def late_gates(self, arrival_ns: int, count: int = 1) -> int:
        """Return how many gates later than expected the last of ``count`` new gates arrived."""
        if self.index < 0:
            return 0
        expected_ns = self._lattice_ns + (self.index + count) * self.gate_ns
        return max(0, round((arrival_ns - expected_ns) / self.gate_ns))

    def skip(self, count: int) -> None:
        """Let ``count`` gates pass that never arrived."""
        self.index += count

    def arrive(self, arrival_ns: int, count: int = 1) -> int:
        """Take ``count`` gates, the last of which arrived at ``arrival_ns`` (monotonic).

        Returns the monotonic end of the last one in ns; the others end ``gate_ns`` apart.
        """
        if self.index < 0:
            self._lattice_ns = arrival_ns - (count - 1) * self.gate_ns
            self._origin_ns = arrival_ns
            self.index = count - 1
        else:
            self.index += count
        expected_ns = self._lattice_ns + self.index * self.gate_ns
        if arrival_ns >= expected_ns - self._earliest_ns:
            self._early = 0
        elif self._settled:
            self._early += 1
        self._note(arrival_ns)
        on_lattice = self._lattice_ns + self.index * self.gate_ns
        departure = round(self.fit.end_ns + (self.index - self._points.last_index) * self.gate_ns)
        departure -= on_lattice
        if abs(departure) > max(self._tolerance_ns, 2 * self.fit.u_ns):
            shift_ns = max(-self.gate_ns // 2, min(self.gate_ns // 2, departure))
            self._lattice_ns += shift_ns
            departure -= shift_ns
        self._settled = abs(departure) <= max(self._tolerance_ns, 2 * self.fit.u_ns)
        return self._lattice_ns + self.index * self.gate_ns

    def _note(self, arrival_ns: int) -> None:
        """Keep the earliest arrival of every 0.2 s, and fit anew when one is complete."""
        lateness_ns = arrival_ns - self.index * self.gate_ns
        if self._earliest is None or lateness_ns < self._earliest[1] - (
            self._earliest[0] * self.gate_ns
        ):
            self._earliest = (self.index, arrival_ns)
        if len(self._points) >= _FEW and arrival_ns - self._fitted_ns < _PERIOD_NS:
            return
        self._points.append(*self._earliest)
        self._earliest, self._fitted_ns = None, arrival_ns
        self.fit = self._fitted()

    def _fitted(self) -> Fit:
        """Least squares in (index, lateness against nominal gates), small numbers only."""
        points = self._points.array
        x = (points[:, 0] - points[-1, 0]).astype(np.float64)
        lateness = points[:, 1] - self._origin_ns - (points[:, 0] - points[-1, 0]) * self.gate_ns
        y = lateness.astype(np.float64)
        n = len(x)
        mean_x, mean_y = float(x.sum()) / n, float(y.sum()) / n
        x -= mean_x
        y -= mean_y
        sxx = float(x @ x)
        # A slope from few points is noise: the nominal gate is better known than that.
        slope = float(x @ y) / sxx if n >= _FEW else 0.0
        residual = y - slope * x
        height = mean_y - slope * mean_x + float(residual.min())
        u_ns = math.sqrt(float(residual @ residual) / (n - 1)) if n > 1 else self.gate_ns / 2
        return Fit(
            self._origin_ns + height, slope / self.gate_ns, u_ns, float(x[-1] - x[0]) * self.gate_ns
        )
