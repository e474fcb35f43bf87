"""What is needed to judge a requirement, and to resolve the mode number of a comb.

M5: u at most a quarter of the tolerance. M17: a candidate is plausible within 5 u; the answer is
unique when exactly one is, so 5 u must stay below half the distance to the next candidate.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from labref.planning.entries import Entries

GATES_S = (0.01, 0.1, 1.0, 10.0, 100.0, 1000.0)
K_MODE = 5.0
# Places where a light can be measured, cheapest first: parts whose u and sigma then count.
INSTRUMENTS = ("wavemeter", "rf_comb", "molecular_line", "telecom_cavity", "atoms")


@dataclass(frozen=True)
class Judge:
    """The simplest instrument and shortest gate with which a requirement can be judged."""

    u_hz: float
    instrument: str | None
    gate_s: float | None


@dataclass(frozen=True)
class ModeNumber:
    """What resolves the mode number (and unknown signs).

    Attributes:
        margin_hz: half the distance to the next candidate, at the tap.
        wavemeter_u_hz: largest standard uncertainty of a coarse value that decides.
        f_rep_u: largest fractional uncertainty of the counted f_rep.
        gate_s: shortest gate with which a counter on a disciplined oscillator has that; None: none.
        beat_hz: the beat for which this holds.
        step_hz: change of f_rep that decides without a wavemeter, for a beat known to `beat_u_hz`.
    """

    margin_hz: float
    wavemeter_u_hz: float
    f_rep_u: float
    gate_s: float | None
    beat_hz: float
    beat_u_hz: float
    step_hz: float


def judge(u_hz: float, instruments: dict[str, Entries]) -> Judge:
    """Choose from the lights that can be measured with; `instruments` are at the atoms."""
    for name, entries in instruments.items():
        for gate in GATES_S:
            u = math.hypot(entries.accuracy_hz(), entries.sigma_hz(gate))
            if u <= u_hz:
                return Judge(u_hz, name, gate)
    return Judge(u_hz, None, None)


def mode_number(
    nu_tap_hz: float, f_rep_hz: float, margin_hz: float | None, time_base: Entries
) -> ModeNumber:
    """What resolves n at this repetition rate.

    Args:
        margin_hz: of the comb that is there (`Integer.margin_hz`); None: the best that a choice
            of the beat allows with both signs open, f_rep/4 at a beat of f_rep/4.
        time_base: entries of the comb at the tap. Its instability at 1 s is that of a counted beat,
            for the way by two repetition rates: sigma_n = sqrt(2) sigma_b/|step|, 5 sigma_n < 1/2.
    """
    beat_u_hz = time_base.sigma_hz(1.0)
    margin = f_rep_hz / 4.0 if margin_hz is None else margin_hz
    u_hz = margin / K_MODE
    good = (
        g for g in GATES_S if math.hypot(time_base.accuracy_hz(), time_base.sigma_hz(g)) <= u_hz
    )
    return ModeNumber(
        margin,
        u_hz,
        u_hz / nu_tap_hz,
        next(good, None),
        f_rep_hz / 4.0,
        beat_u_hz,
        2.0 * K_MODE * math.sqrt(2.0) * beat_u_hz,
    )
