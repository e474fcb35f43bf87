"""What a step did, compared with what it should have done (rule S6).

With what was known just before the step the filters predict the readings after it; what lies
between, averaged, over the step that was asked for is the response. Uncertain by the prediction and
by the readings' noise; it is judged once it is known to a tenth, and refused if it never is.
"""

from __future__ import annotations

import math

from labref_steer.bank import Bank

LEAST, MOST = 0.5, 2.0  # of the declared gain (S6)
SHARP = 0.1


class Response:
    """Collects readings after one step of ``moved`` (output's unit); ``u`` before it."""

    def __init__(self, before: Bank, gain: float, u: float, moved: float) -> None:
        self._before = before
        self._expected = gain * moved
        self._u = u
        self._sum = 0.0
        self._noise = 0.0
        self._count = 0
        self._worst = math.inf

    def see(self, time_s: float, y: float, r_hz: float, z: float) -> None:
        """Take a reading that began after the step was done."""
        predicted = self._before.predict(time_s, z, self._u)
        self._sum += y - predicted.hz
        self._noise += r_hz * r_hz
        self._count += 1
        self._worst = predicted.u_hz

    @property
    def ratio(self) -> float:
        """Measured over expected response; NaN before the first reading."""
        return self._sum / self._count / self._expected if self._count else math.nan

    @property
    def ratio_u(self) -> float:
        """Its standard uncertainty: the prediction's error is common to all readings."""
        if not self._count:
            return math.inf
        mean = math.hypot(self._worst, math.sqrt(self._noise) / self._count)
        return mean / abs(self._expected)

    @property
    def is_sharp(self) -> bool:
        """Whether it is known well enough to be judged."""
        return self.ratio_u <= SHARP

    def why_wrong(self) -> str:
        """Why the output does not do what it should; "" if it does."""
        if LEAST <= self.ratio <= MOST:
            return ""
        sign = "the wrong sign" if self.ratio < -SHARP else "the wrong gain"
        return (
            f"the first step had {sign}: {self.ratio:.2f} +- {self.ratio_u:.2f} of what it should"
        )
