"""What an output can change: one lock, its piezo and its switch.

    held on a tooth ── lost ──> free: where its piezo pushes it ── near a tooth, switch on ──> held

The tooth on which it is caught need not be its own: its beat then reads just the same.
"""

from dataclasses import dataclass

from sim_instruments.campaign.outputs import Knob
from sim_instruments.campaign.scenario import LaserRow

ON_V = 2.5


@dataclass
class LockedLaser:
    """One laser whose lock can be lost. ``tooth``: teeth from its own, None while free."""

    row: LaserRow
    piezo: Knob
    switch: Knob
    spacing_hz: float
    capture_hz: float
    hz_per_volt: float
    tooth: int | None = 0
    free_hz: float = 0.0  # with the piezo at 0 V
    lost_at: int = -1
    losses: int = 0

    @property
    def offset_hz(self) -> float:
        """From its right place, at the tap; noise, references and scheduled moves aside."""
        if self.tooth is not None:
            return self.tooth * self.spacing_hz
        return self.free_hz + self.hz_per_volt * float(self.piezo.value)

    def lose(self, free_hz: float, gate: int) -> None:
        """The lock is lost; at 0 V the laser would be there."""
        self.tooth, self.free_hz, self.lost_at = None, free_hz, gate
        self.losses += 1

    def settle(self, gate: int) -> None:
        """At the begin of a gate: opened by its switch, or caught by the nearest tooth."""
        on = float(self.switch.value) > ON_V
        if self.tooth is not None:
            if not on:
                push = self.hz_per_volt * float(self.piezo.value)
                self.lose(self.tooth * self.spacing_hz - push, gate)
            return
        nearest = round(self.offset_hz / self.spacing_hz)
        near = abs(self.offset_hz - nearest * self.spacing_hz) < self.capture_hz
        if on and near and gate > self.lost_at + 1:
            self.tooth = nearest

    def repair(self) -> None:
        """A person has found it: on its own tooth, the piezo where it belongs."""
        wanted = -self.free_hz / self.hz_per_volt
        if self.tooth is None and not self.piezo.low < wanted < self.piezo.high:
            self.free_hz, wanted = 0.0, 0.0  # the diode's current was changed
        if self.tooth != 0:
            self.piezo.by_hand(wanted)
        self.tooth = 0
        self.switch.by_hand(5)

    @property
    def within_reach(self) -> bool:
        """Whether its piezo can bring it back."""
        return abs(self.free_hz) < self.hz_per_volt * 0.98 * float(self.piezo.high)
