"""When a gate was: the gate's index is the time base, arrivals are fitted against it (M20)."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

from labref.model.times import NS_PER_S, Clock

# Below this a difference of the two host clocks is the time between two calls, not a step.
_STEP_NS = 1_000_000
_TIGHT_NS = 50_000
_LOOK_NS = 20_000_000
_WINDOW = 128
_FEW = 16
_MOST_SLOPE = 1e-3
_PERIOD_NS = 50_000_000


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
    arrivals, one sigma: the uncertainty of a stamp.
    """

    end_ns: float
    slope: float
    u_ns: float


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
        self._points: deque[tuple[int, int]] = deque(maxlen=_WINDOW)
        self._earliest: tuple[int, int] | None = None
        self._fitted_ns = 0
        self._lattice_ns = 0
        self._origin_ns = 0
        self._tolerance_ns = max(100_000, gate_ns // 1000)
        self.fit = Fit(0.0, 0.0, gate_ns / 2)
        self._early = False

    @property
    def is_strange(self) -> bool:
        """Whether arrivals do not fit gates of this length: the gate time was changed.

        A gate cannot arrive before it has ended, nor a good clock be wrong by 1e-3.
        """
        return self._early or (len(self._points) >= _FEW and abs(self.fit.slope) > _MOST_SLOPE)

    def reset(self) -> None:
        """Forget everything: after a reconnection the index has another meaning."""
        self.index = -1
        self._points.clear()
        self._earliest = None

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
        self._early = arrival_ns < expected_ns - self._earliest_ns
        self._note(arrival_ns)
        on_lattice = self._lattice_ns + self.index * self.gate_ns
        departure = round(self.fit.end_ns + (self.index - self._points[-1][0]) * self.gate_ns)
        departure -= on_lattice
        if abs(departure) > max(self._tolerance_ns, 2 * self.fit.u_ns):
            self._lattice_ns += max(-self.gate_ns // 2, min(self.gate_ns // 2, departure))
        return self._lattice_ns + self.index * self.gate_ns

    def _note(self, arrival_ns: int) -> None:
        """Keep the earliest arrival of every 50 ms, and fit anew when one is complete."""
        lateness_ns = arrival_ns - self.index * self.gate_ns
        if self._earliest is None or lateness_ns < self._earliest[1] - (
            self._earliest[0] * self.gate_ns
        ):
            self._earliest = (self.index, arrival_ns)
        if len(self._points) >= _FEW and arrival_ns - self._fitted_ns < _PERIOD_NS:
            return
        self._points.append(self._earliest)
        self._earliest, self._fitted_ns = None, arrival_ns
        self.fit = self._fitted()

    def _fitted(self) -> Fit:
        """Least squares in (index, lateness against nominal gates), small numbers only."""
        last, _ = self._points[-1]
        x = [index - last for index, _ in self._points]
        y = [t - self._origin_ns - (i - last) * self.gate_ns for i, t in self._points]
        n = len(x)
        mean_x, mean_y = sum(x) / n, sum(y) / n
        sxx = sum((a - mean_x) ** 2 for a in x)
        # A slope from few points is noise: the nominal gate is better known than that.
        slope = sum((a - mean_x) * b for a, b in zip(x, y, strict=True)) / sxx if n >= _FEW else 0.0
        residual = [b - mean_y - slope * (a - mean_x) for a, b in zip(x, y, strict=True)]
        height = mean_y - slope * mean_x + min(residual)
        u_ns = math.sqrt(sum(r * r for r in residual) / (n - 1)) if n > 1 else self.gate_ns / 2
        return Fit(self._origin_ns + height, slope / self.gate_ns, u_ns)
