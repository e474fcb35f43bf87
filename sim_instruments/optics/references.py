"""Radio-frequency references: disciplined or free oscillators, and what hangs on them."""

from fractions import Fraction

from sim_instruments.faults import Fault, FaultList
from sim_instruments.optics.grid import Grid, Series, Steps
from sim_instruments.optics.powerlaw import NoiseSource, PowerLaw
from sim_instruments.randomness import stream

LOCKED, HOLDOVER, RECOVERING, FREE = "locked", "holdover", "recovering", "free"


class Reference:
    """A 10 MHz reference with fractional frequency error y(t).

    Faults: ``holdover`` lets y drift by ``amount`` (per s) while it lasts, after which the
    accumulated time error is steered away at ``recover_y`` (M: 1 us in 1000 s is 1e-9) with
    the state `RECOVERING`; after ``free_after_s`` it no longer claims to hold over (`FREE`);
    ``reference_step`` adds ``amount`` to y while it lasts.
    """

    def __init__(
        self, name: str, grid: Grid, law: PowerLaw, offset: float, faults: FaultList, seed: int
    ) -> None:
        self.name = name
        self._grid = grid
        self._offset = offset
        self._noise = Series(NoiseSource(law, grid.step_s, stream(seed, "reference", name)).take)
        self._steps = faults.of(name, "reference_step")
        self._holdovers = faults.of(name, "holdover")

    def fractional(self, first: int, last: int) -> Steps:
        """y per step."""
        y = self._noise.steps(first, last) + self._offset
        if not self._steps and not self._holdovers:
            return y
        elapsed = self._grid.centres_s(first, last)
        for fault in self._steps:
            y = y + fault.amount * fault.shape(elapsed)
        for fault in self._holdovers:
            inside = fault.shape(elapsed)
            y = y + fault.amount * (elapsed - fault.start_s) * inside
            recover_y, recover_s = self._recovery(fault)
            after = (elapsed >= fault.stop_s) & (elapsed < fault.stop_s + recover_s)
            y = y - recover_y * after
        return y

    @staticmethod
    def _recovery(fault: Fault) -> tuple[float, float]:
        lasted = fault.stop_s - fault.start_s
        error_s = 0.5 * fault.amount * lasted**2
        recover_y = float(fault.options.get("recover_y", 1e-9))
        if error_s == 0.0:
            return 0.0, 0.0
        return (recover_y if error_s > 0 else -recover_y), abs(error_s) / recover_y

    def state(self, elapsed_s: float) -> str:
        """locked, holdover, free or recovering at an instant."""
        for fault in self._holdovers:
            if fault.active(elapsed_s):
                lasted = elapsed_s - fault.start_s
                return FREE if lasted > _free_after_s(fault) else HOLDOVER
            if fault.stop_s <= elapsed_s < fault.stop_s + self._recovery(fault)[1]:
                return RECOVERING
        return LOCKED

    def time_error_s(self, elapsed_s: float) -> float:
        """Time error that holdovers have left against the satellites, s."""
        total = 0.0
        for fault in self._holdovers:
            lasted = min(max(elapsed_s - fault.start_s, 0.0), fault.stop_s - fault.start_s)
            total += 0.5 * fault.amount * lasted**2
            recover_y, recover_s = self._recovery(fault)
            total -= recover_y * min(max(elapsed_s - fault.stop_s, 0.0), recover_s)
        return total


def _free_after_s(fault: Fault) -> float:
    return float(fault.options.get("free_after_s", "inf"))


class Synthesised:
    """A frequency made from a reference: the set value is exact in the reference's scale."""

    def __init__(self, nominal: Fraction, reference: Reference) -> None:
        self._nominal = nominal
        self._reference = reference

    @property
    def nominal(self) -> Fraction:
        """Set value, Hz."""
        return self._nominal

    def offsets(self, first: int, last: int) -> Steps:
        """Set value times the reference's error, Hz."""
        return float(self._nominal) * self._reference.fractional(first, last)
