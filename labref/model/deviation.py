"""The named result of a stability statistic: values, bounds, noise, gaps, equation, source.

A deviation without its bounds, its noise type and what was done about gaps is not a result, so
they travel together. Everything here is plain data: who computes it lives in
`labref.stability`, who shows it in `labref.cli` and `labref.report`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

NOISE_NAMES: dict[int, str] = {
    2: "white PM",
    1: "flicker PM",
    0: "white FM",
    -1: "flicker FM",
    -2: "random-walk FM",
    -3: "flicker-walk FM",
    -4: "random-run FM",
}
"""Power-law noises by the exponent alpha of S_y(f) = h_alpha f^alpha (IEEE Std 1139)."""


def noise_name(alpha: float) -> str:
    """Return the name of the power-law noise with exponent `alpha`; NaN gives 'unknown'."""
    if not np.isfinite(alpha):
        return "unknown"
    return NOISE_NAMES.get(int(alpha), f"alpha {int(alpha)}")


@dataclass(frozen=True)
class GapReport:
    """What was missing in a series and what was done about it.

    Attributes:
        policy: 'refuse', 'longest' (the longest gap-free run) or 'pairs' (every term that is
            complete, on both sides of every gap).
        total: readings expected in the series.
        missing: readings missing or marked bad.
        gaps: number of separate holes, those at either end included.
        longest_gap: readings in the longest hole.
        used: readings that could enter the estimate under the policy.
        runs: number of gap-free runs that were used.
        phase_kept: True if the phase is known across a hole (phase data); False if it is lost
            there (frequency data).
    """

    policy: str
    total: int
    missing: int = 0
    gaps: int = 0
    longest_gap: int = 0
    used: int = 0
    runs: int = 1
    phase_kept: bool = False

    @property
    def complete(self) -> bool:
        """True if nothing was missing."""
        return self.missing == 0

    def __str__(self) -> str:
        if self.complete:
            return f"no gaps in {self.total} readings"
        return (
            f"{self.missing} of {self.total} readings missing in {self.gaps} gaps "
            f"(longest {self.longest_gap}); policy '{self.policy}' used {self.used} readings "
            f"in {self.runs} runs"
        )


@dataclass(frozen=True, eq=False)
class BiasReport:
    """Whether a published bias correction was applied, and which.

    Attributes:
        applied: True if `Deviation.deviation` already contains the correction.
        factor: deviation divided by this gives the corrected deviation, shape (taus,); 1 where
            no correction is published for the noise found.
        table: the published table, because published tables differ.
    """

    applied: bool
    factor: FloatArray
    table: str


@dataclass(frozen=True)
class Omitted:
    """An averaging time that was asked for and not computed, with the reason."""

    tau_s: float
    reason: str


@dataclass(frozen=True, eq=False)
class Deviation:
    """A stability statistic at several averaging times. All arrays have the shape (taus,).

    Attributes:
        statistic: catalogue name ('oadev'); readings that are not plain averages give
            'oadev_of_lambda_readings', never the plain name.
        title: what the numbers are, in words; in-loop channels start 'residual of the lock'.
        unit: '1' (fractional frequency) or 's' (time).
        tau_s: averaging times, s; `m` times the spacing of the readings.
        m: averaging factors.
        deviation: the estimate, in `unit`.
        lower, upper: bounds at `confidence`; NaN where nothing is known about the spread.
        edf: equivalent degrees of freedom; NaN where none are published.
        count: squared terms in the estimate.
        alpha: power-law exponent used for edf and bias, NaN if unknown.
        noise_method: how `alpha` was found, one text per tau.
        effective_tau_s: where on a sigma-tau plot the point belongs (0.75 tau for THEO1).
        confidence: probability that the two-sided interval covers the true value.
        gaps, bias: see `GapReport` and `BiasReport`.
        equation, source: the defining equation in words and where it is published.
        edf_source: where the degrees of freedom come from.
        name: name of the series; `tau0_s`: spacing of its readings, s.
        loop: 'free', 'in', 'out' or 'unknown'; `weighting`: 'pi', 'lambda' or 'omega'.
        omitted: averaging times asked for and not computed.
        notes: statements that must be shown with the numbers.
    """

    statistic: str
    title: str
    unit: str
    tau_s: FloatArray
    m: IntArray
    deviation: FloatArray
    lower: FloatArray
    upper: FloatArray
    edf: FloatArray
    count: IntArray
    alpha: FloatArray
    noise_method: tuple[str, ...]
    effective_tau_s: FloatArray
    confidence: float
    gaps: GapReport
    bias: BiasReport
    equation: str
    source: str
    edf_source: str
    name: str = ""
    tau0_s: float = 1.0
    loop: str = "unknown"
    weighting: str = "pi"
    omitted: tuple[Omitted, ...] = ()
    notes: tuple[str, ...] = field(default=())

    @property
    def noise(self) -> tuple[str, ...]:
        """Name of the noise type found at each averaging time."""
        return tuple(noise_name(a) for a in self.alpha)

    def __len__(self) -> int:
        return len(self.tau_s)

    def at(self, tau_s: float) -> tuple[float, float, float]:
        """Return (deviation, lower, upper) at one computed averaging time, s.

        Raises:
            KeyError: if that averaging time was not computed (nothing is interpolated).
        """
        hits = np.flatnonzero(np.isclose(self.tau_s, tau_s, rtol=1e-9, atol=0.0))
        if len(hits) != 1:
            have = ", ".join(repr(float(t)) for t in self.tau_s)
            raise KeyError(f"{self.statistic}: no value at tau = {tau_s!r} s; computed are: {have}")
        k = int(hits[0])
        return float(self.deviation[k]), float(self.lower[k]), float(self.upper[k])
