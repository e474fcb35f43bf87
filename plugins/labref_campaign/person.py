"""A scripted human: arms twice a day, comes when something waits for a person, repairs, re-arms.

Response times are log-normal, longer by night. What a person finds is put right; what labref can
do alone it is left to do.
"""

from __future__ import annotations

import math

import numpy as np

from labref.model.errors import LabrefError
from labref.model.times import NS_PER_S
from labref.session.session import Session
from sim_instruments.campaign.lab import CampaignLab
from sim_instruments.campaign.scenario import Scenario
from sim_instruments.randomness import stream

ROUND = 43_200  # gates between two routine armings: at 8 and at 20 h
PATIENCE = 900  # gates of a standing alarm that labref is given before a person comes
BY = "A. Person"
PROOF, AGAIN = 40, 60  # passes after a visit's begin: proof is asked for; armed again


def response_s(scenario: Scenario, gate: int, rng: np.random.Generator) -> float:
    """How long it takes until somebody comes, s; ``gate`` counts from 8 h in the morning."""
    day = gate % 86_400 < ROUND
    median = scenario.number("people", "day_median_s" if day else "night_median_s")
    spread = scenario.number("people", "sigma_ln")
    return median * math.exp(float(rng.normal(0.0, spread)))


class Person:
    """Acts before a pass. ``busy``: gates should pass one by one."""

    def __init__(self, lab: CampaignLab, session: Session, seed: int) -> None:
        self._lab, self._session = lab, session
        self._rng = stream(seed, "campaign", "person")
        self._comes: int | None = None
        self._lost_since: dict[str, int] = {}
        self._stage = 0
        self._repaired: list[str] = []
        self.visits = 0
        self.repairs = 0
        self.restarts = 0
        self.wants_restart = False

    @property
    def busy(self) -> bool:
        """Whether somebody is at work."""
        return self._stage > 0

    def next_gate(self, gate: int) -> int:
        """The next gate at which something is planned."""
        rounds = (gate // ROUND + 1) * ROUND
        return rounds if self._comes is None else min(rounds, max(self._comes, gate + 1))

    def act(self, gate: int) -> None:
        """What a person does at this moment."""
        self._look(gate)
        if self._stage:
            self._work()
        elif gate == 30 or (gate and gate % ROUND == 0):
            self.arm_all()
        elif self._comes is not None and gate >= self._comes:
            self.visits += 1
            self._stage = 1

    def hands_on(self, until: int) -> None:
        """Take hands-on until a gate."""
        assert self._session.actuation is not None
        until_ns = self._lab.scenario.start_ns + NS_PER_S * until
        self._session.actuation.desk.hands_on(BY, until_ns)

    def arm_all(self) -> None:
        """Arm what can be armed now."""
        assert self._session.actuation is not None
        desk = self._session.actuation.desk
        for name, actuator in self._session.actuation.actuators.items():
            if actuator.armed_in_file:
                try:
                    desk.arm(desk.ask_to_arm(name, BY).token)
                except LabrefError:
                    continue  # what is in the way is gone at the next round

    def _look(self, gate: int) -> None:
        """Whether something waits for a person: then somebody comes after a while."""
        assert self._session.actuation is not None
        actuators = self._session.actuation.actuators
        for name, laser in self._lab.locked.items():
            # Lost, or there and not believed: either way its alarm stands.
            if laser.tooth == 0 and not getattr(actuators[name], "pending", ""):
                self._lost_since.pop(name, None)
            else:
                self._lost_since.setdefault(name, gate)
        if self._comes is None and not self._stage and gate > 60 and self._waits(gate):
            self._comes = gate + max(1, round(response_s(self._lab.scenario, gate, self._rng)))

    def _waits(self, gate: int) -> bool:
        assert self._session.actuation is not None
        desk, actuators = self._session.actuation.desk, self._session.actuation.actuators
        if any(a.armed_in_file and not desk.is_armed(name) for name, a in actuators.items()):
            return True
        return any(gate - since > PATIENCE for since in self._lost_since.values())

    def _work(self) -> None:
        """Disarm, wait a pass, repair, wait for the proof, restart where it does not come, arm."""
        assert self._session.actuation is not None
        if self._stage == 1:
            self._session.actuation.desk.disarm(by=BY)
        elif self._stage == 3:
            for laser in self._lab.locked.values():
                if laser.tooth != 0:
                    laser.repair()
                    self.repairs += 1
        elif self._stage == PROOF and self._doubted():
            self.wants_restart = True
        elif self._stage == AGAIN:
            self.arm_all()
            self._comes, self._stage = None, -1
        self._stage += 1

    def _doubted(self) -> bool:
        """Whether a light that is where it belongs is still not believed."""
        assert self._session.actuation is not None
        actuators = self._session.actuation.actuators
        return any(
            laser.tooth == 0 and getattr(actuators[name], "pending", "")
            for name, laser in self._lab.locked.items()
        )

    def takes(self, session: Session) -> None:
        """Labref was started again."""
        self._session, self.wants_restart = session, False
        self.restarts += 1
