"""Many verifications after a relock: which tooth was caught, how the wavemeter erred, what came.

Each trial is a laser with a past, a loss, and a lock that holds on some tooth, its beat the same
on every one. A tenth of the wavemeters are biased by up to one repetition rate, a third of those
close to exactly one: where a wrong tooth looks right.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Any

import numpy as np

from labref.actuation.base import Seen
from labref.actuation.levels import Level
from labref.actuation.tables import LevelTable
from labref.model.readings import block
from labref.model.result import Result
from labref.model.verdict import Frequencies, State
from labref_relock.evidence import Answer
from labref_relock.verifier import Verifier

S = 10**9
F_REP, WM_U, WM_SIGMA = 250e6, 3e6, 5e5
WITHIN = 25e6
MODES = ("standing, all channels", "standing, this channel", "since the loss, all channels")
ONLY_TWO = "since the loss, this channel"  # only a second wavemeter can tell


@dataclass
class Trial:
    """What is true in one trial."""

    tooth: int
    bias_hz: float = 0.0
    mode: str = ""


class Trials:
    """Runs trials over the lab of relock_lab.py."""

    def __init__(self, lab: Any, seed: int, second: bool = False) -> None:
        self.lab, self.second = lab, second
        self.rng = np.random.default_rng(seed)
        self.table = lab.tables["relock"]["laser_a"]
        self.counts: Counter[str] = Counter()

    def draw(self) -> Trial:
        """Half of the relocks end on a wrong tooth at first; a tenth of wavemeters is biased."""
        rng = self.rng
        tooth = 0 if rng.random() < 0.5 else int(rng.choice([-2, -1, 1, 2]))
        if rng.random() >= 0.1:
            return Trial(tooth)
        modes = (*MODES, ONLY_TWO) if self.second else MODES
        bias = float(rng.uniform(-F_REP, F_REP))
        if rng.random() < 1 / 3:
            bias = float(rng.choice([-1, 1])) * F_REP + float(rng.normal(0.0, WM_U))
        return Trial(tooth, bias, str(rng.choice(modes)))

    def run(self, trial: Trial) -> Answer | None:
        """One trial through the verifier, gate by gate; None: it never came to an answer."""
        lock = Level("lock", LevelTable(channel="transmission", limits=(0, 2), max_age_s=2))
        verifier = Verifier(self.lab, self.table, lock)
        own = float(self.rng.normal(0.0, WM_U))  # its calibration as it always was
        now = 1_800_000_000 * S
        standing = trial.bias_hz if trial.mode.startswith("standing") else 0.0
        everywhere = trial.mode.endswith("all channels")
        for _ in range(12):
            now += S
            b = own + (standing if everywhere else 0.0)
            self._pass(verifier, lock, now, 0.0, own + standing, b)
        verifier.lost(now)
        a = own + trial.bias_hz
        b = own + (trial.bias_hz if everywhere else 0.0)
        verifier.begin(now)
        for _ in range(4):
            now += S
            self._pass(verifier, lock, now, trial.tooth * F_REP, a, b)
        judged = verifier.judged(now)
        answer = None if judged is None else judged.answer
        self._count(trial, answer)
        return answer

    def _pass(
        self, verifier: Verifier, lock: Level, now: int, light: float, a: float, b: float
    ) -> None:
        values = {
            "wm_a": light + a + self.rng.normal(0.0, WM_SIGMA),
            "wm_b": b + self.rng.normal(0.0, WM_SIGMA),
            "transmission": 1.0,
            "beat_a": 0.0,
        }
        if self.second:
            # The second wavemeter is another instrument, with its own error, never the same.
            values["wm2_a"] = light + self.rng.normal(0.0, WM_U)
        readings = {name: block(name, now - S, now, value) for name, value in values.items()}
        results = {
            "line_a": (_result("line_a", now, abs(values["wm_a"]) < WITHIN),),
            "line_b": (_result("line_b", now, abs(values["wm_b"]) < WITHIN),),
        }
        lock.see(readings)
        verifier.see(Seen(now, now / S, readings, results))

    def _count(self, trial: Trial, answer: Answer | None) -> None:
        said = "no answer" if answer is None else answer.value
        wavemeter = "biased" if trial.mode else "sound"
        place = "right tooth" if trial.tooth == 0 else "wrong tooth"
        self.counts[f"{place}, {wavemeter} wavemeter: {said}"] += 1
        self.counts["all"] += 1
        if answer is Answer.RIGHT and trial.tooth != 0:
            self.counts["wrong tooth accepted"] += 1
        if answer in (Answer.REFUSED, None):
            self.counts["refused"] += 1


def _result(name: str, now: int, good: bool) -> Result:
    """A gate whose beat reads right, as it does on every tooth."""
    ones = np.zeros(1)
    frequencies = Frequencies(
        name, "0", 1, np.array([now - S]), np.array([now]), ones, ones + 1.0,
        np.array([1], np.uint32), ones, ones, 10.0,
    )  # fmt: skip
    return Result(frequencies, np.array([State.GOOD if good else State.UNKNOWN], np.uint8))
