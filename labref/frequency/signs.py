"""Signs from the derivative of the compiled equation in the declared lock state (rule M18).

For a laser that stands still, ``nu = E(channels)`` says how a counted beat answers when something
else is moved:    d beat / d x = - c_x / c_beat.    The coefficients are those of the equation
*after* substitution: with the comb locked to a reference laser f_rep is no channel any more, and
f_ceo acts through it as well. So the same rule serves every lock state, and no fixed one would:
with the comb locked at 1542 nm a 729 nm beat answers to f_ceo by -(1 - n/n_ref) = +1.11, on a
radio-frequency comb by -1, and locked at 698 nm by -0.04, which is no test.

A *hypothesis* is the equation with one choice of signs. Each predicts the answers to the moves that
were made; the choice stands if exactly one hypothesis agrees with every answer within 5 sigma, and
the moves could tell the others apart.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from labref.frequency.equation import Equation
from labref.model.channel import Channel, Loop
from labref.model.errors import AmbiguousError, InputError, RefusedError

# Below this many sigma an answer, or a difference of predictions, is no evidence (M18).
SIGMAS = 5.0

_OPTICAL_HZ = 1e12


@dataclass(frozen=True, slots=True)
class Move:
    """``channel`` was moved by ``by_hz``; ``beat`` changed by ``answer_hz`` +- ``u_hz``.

    ``u_hz``: one sigma of the change of the beat, counting noise and laser noise together.
    ``laser_moved_hz``: largest credible drift of the laser meanwhile.
    """

    channel: str
    by_hz: float
    beat: str
    answer_hz: float
    u_hz: float
    laser_moved_hz: float = 0.0

    def window_hz(self) -> float:
        """Half-width within which a prediction agrees with the answer."""
        return SIGMAS * self.u_hz + self.laser_moved_hz


@dataclass(frozen=True, slots=True)
class Resolved:
    """The one choice of signs that fits: its label, and the margin in sigma to the next."""

    label: str
    sigmas: float
    evidence: str


def answer_of(equation: Equation, beat: str, moved: str) -> Fraction:
    """d beat / d moved for a laser that stands still: -c_moved / c_beat, exact.

    Raises InputError where the beat does not enter.
    """
    weight = equation.coefficient(beat)
    if not weight:
        raise InputError(f"equation {equation.name!r} does not depend on the beat {beat!r}")
    return -equation.coefficient(moved) / weight


def resolve(
    hypotheses: Mapping[str, Equation],
    moves: Sequence[Move],
    channels: Mapping[str, Channel],
) -> Resolved:
    """Return the one hypothesis that agrees with every move.

    Raises RefusedError where a move proves nothing (the laser follows the comb; all predictions
    within 5 sigma of each other), with a usable move proposed; AmbiguousError where none or
    several hypotheses agree.
    """
    if len(hypotheses) < 2 or not moves:
        raise InputError("a sign test needs at least two hypotheses and one move")
    for move in moves:
        _check(move, channels)
    _check_power(hypotheses, moves, channels)
    fits = [label for label, e in hypotheses.items() if _agrees(e, moves)]
    if len(fits) != 1:
        raise AmbiguousError(_not_one(fits, hypotheses, moves), tuple(fits))
    apart = [_apart(hypotheses[fits[0]], e, moves) for k, e in hypotheses.items() if k != fits[0]]
    told = "; ".join(
        f"{m.channel} moved by {m.by_hz:+.3f} Hz, {m.beat} by {m.answer_hz:+.3f} Hz" for m in moves
    )
    return Resolved(fits[0], min(apart), told)


def needed_move_hz(
    one: Equation, two: Equation, beat: str, moved: str, u_hz: float, laser_moved_hz: float = 0.0
) -> float:
    """Smallest move in Hz that tells two hypotheses apart by 5 sigma; infinite if none can."""
    apart = abs(float(answer_of(one, beat, moved) - answer_of(two, beat, moved)))
    wanted = 2 * (SIGMAS * u_hz + laser_moved_hz)
    return wanted / apart if apart else math.inf


def _check(move: Move, channels: Mapping[str, Channel]) -> None:
    if move.channel == move.beat or not move.by_hz or not move.u_hz > 0:
        raise InputError(f"the move of {move.channel!r} needs a size, another beat and its u")
    if move.beat not in channels:
        raise InputError(f"the beat {move.beat!r} is not declared")
    if channels[move.beat].loop is Loop.IN:
        raise RefusedError(
            f"sign test refused: {move.beat!r} is in-loop, the laser follows the comb and its beat "
            f"stays where the lock holds it; open that loop or use a free beat"
        )


def _check_power(
    hypotheses: Mapping[str, Equation], moves: Sequence[Move], channels: Mapping[str, Channel]
) -> None:
    labels = list(hypotheses)
    for i, first in enumerate(labels):
        for second in labels[i + 1 :]:
            if _apart(hypotheses[first], hypotheses[second], moves) < SIGMAS:
                raise RefusedError(
                    f"sign test refused: these moves cannot tell {first!r} from {second!r} by "
                    f"{SIGMAS:.0f} sigma; "
                    + _proposal(hypotheses[first], hypotheses[second], moves[0], channels)
                )


def _apart(one: Equation, two: Equation, moves: Sequence[Move]) -> float:
    """Largest separation of two predictions, in units of the window / 5: 5 is just enough."""
    best = 0.0
    for m in moves:
        gap = answer_of(one, m.beat, m.channel) - answer_of(two, m.beat, m.channel)
        # Two windows must not overlap, whichever of the two hypotheses is true.
        best = max(best, abs(float(gap) * m.by_hz) / (2 * m.window_hz()) * SIGMAS)
    return best


def _agrees(equation: Equation, moves: Sequence[Move]) -> bool:
    return all(
        abs(float(answer_of(equation, m.beat, m.channel)) * m.by_hz - m.answer_hz) <= m.window_hz()
        for m in moves
    )


def _proposal(one: Equation, two: Equation, move: Move, channels: Mapping[str, Channel]) -> str:
    """Name the smallest usable move among the channels of both equations."""
    options = []
    for name in sorted({*one.channels, *two.channels} - {move.beat}):
        size = needed_move_hz(one, two, move.beat, name, move.u_hz, move.laser_moved_hz)
        room = abs(float(channels[name].nominal)) if name in channels else math.inf
        if size < room:
            # A radio frequency is at hand; an optical one moves only by way of another.
            options.append((room > _OPTICAL_HZ, size / max(room, 1.0), name, size))
    if not options:
        return "no channel of the equation can; use another beat or another lock state"
    *_, name, size = min(options)
    return f"move {name!r} by at least {size:.3f} Hz instead"


def _not_one(fits: list[str], hypotheses: Mapping[str, Equation], moves: Sequence[Move]) -> str:
    found = f"{len(fits)} choices fit" if fits else "no choice fits: something else moved"
    lines = [f"signs refused: {found}"]
    for label, equation in hypotheses.items():
        told = ", ".join(
            f"{float(answer_of(equation, m.beat, m.channel)) * m.by_hz:+.3f} Hz" for m in moves
        )
        lines.append(f"  {label}: predicts {told}")
    lines.append("  seen: " + ", ".join(f"{m.answer_hz:+.3f} Hz" for m in moves))
    return "\n".join(lines)
