"""Propagation of uncertainty, with correlations; counting part and constant part apart (M5).

Every uncertainty is that of one named *source*: the noise of one channel, the display of one
channel, one node of the reference tree, one declared line (height, fibre, target). Sources are
independent of each other; equations that share one are correlated through it. So each equation
is a row of sensitivities, and covariances are products of rows (GUM, JCGM 100, 5.1 and 5.2; the
sensitivities are exact because the equations are affine).

Counting (type A) averages with the number of gates, constant (type B) does not. What is not known
is NaN and stays NaN: an unknown uncertainty never becomes a small one.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from labref.frequency.equation import Equation
from labref.frequency.reference import held, node_sensitivity
from labref.model.channel import Channel
from labref.model.errors import InputError
from labref.model.readings import Floats
from labref.model.reference import Reference


class Part(StrEnum):
    """Whether a contribution averages."""

    COUNTING = "counting"  # type A: drawn anew in every gate
    CONSTANT = "constant"  # type B: the same in every gate


@dataclass(frozen=True, slots=True)
class Extra:
    """A declared constant contribution to all equations named in ``of`` (empty: to all).

    ``u`` is its standard uncertainty in Hz, or fractional where ``fractional`` is true.
    """

    source: str
    u: float
    fractional: bool = False
    of: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a budget: ``hz`` = ``sensitivity`` (Hz per unit, signed) * ``u``."""

    source: str
    part: Part
    sensitivity: float
    u: float

    @property
    def hz(self) -> float:
        """Contribution in Hz, signed like the sensitivity (signs matter for correlations).

        A source without weight contributes nothing, even where its u is not known.
        """
        return self.sensitivity * self.u if self.sensitivity else 0.0


@dataclass(frozen=True, slots=True)
class Budget:
    """Uncertainty of one equation: its lines, and the two parts in Hz, one sigma."""

    equation: str
    lines: tuple[Line, ...]

    def of(self, part: Part) -> float:
        """Standard uncertainty of one part in Hz; NaN where a line is unknown."""
        return math.sqrt(math.fsum(line.hz**2 for line in self.lines if line.part is part))

    @property
    def counting_hz(self) -> float:
        """Type A of one gate, in Hz."""
        return self.of(Part.COUNTING)

    @property
    def constant_hz(self) -> float:
        """Type B, in Hz."""
        return self.of(Part.CONSTANT)

    @property
    def combined_hz(self) -> float:
        """Both parts for one gate, in Hz."""
        return math.sqrt(self.counting_hz**2 + self.constant_hz**2)

    def unknown(self) -> tuple[str, ...]:
        """Sources whose uncertainty is not known."""
        return tuple(line.source for line in self.lines if not math.isfinite(line.hz))


@dataclass(frozen=True, slots=True)
class Noise:
    """What is known about scatter and about declared lines.

    ``sigma``: one-sigma scatter of one gate by channel, in the channel's unit, measured; it
    stands before the channel's declared sigma. ``sigma_y``: fractional one-gate instability by
    reference node (common to all that hangs on it). ``extras``: declared constant lines.
    """

    sigma: Mapping[str, float] = field(default_factory=dict)
    sigma_y: Mapping[str, float] = field(default_factory=dict)
    extras: tuple[Extra, ...] = ()


NO_NOISE = Noise()


def budget(
    equation: Equation,
    channels: Mapping[str, Channel],
    references: Mapping[str, Reference],
    noise: Noise = NO_NOISE,
) -> Budget:
    """Return the uncertainty budget of one equation, largest line first.

    A measured channel without any known sigma gives a NaN line (unknown). Set and assumed
    channels have no counting part; their ``u`` and their reference count. Raises InputError.
    """
    nodes = node_sensitivity(equation, channels, references)
    lines = [
        *_channel_lines(equation, channels, noise),
        *(Line(name, Part.CONSTANT, s, references[name].u) for name, s in nodes.items()),
        *(
            Line(f"{name} (noise)", Part.COUNTING, s, noise.sigma_y[name])
            for name, s in nodes.items()
            if name in noise.sigma_y
        ),
        *_extra_lines(equation, channels, noise.extras),
    ]
    kept = [line for line in lines if line.hz != 0]
    return Budget(equation.name, tuple(sorted(kept, key=_rank)))


def covariance(
    equations: Sequence[Equation],
    channels: Mapping[str, Channel],
    references: Mapping[str, Reference],
    part: Part,
    noise: Noise = NO_NOISE,
) -> Floats:
    """Return the covariance of the equations in Hz^2, float64 (m, m), of one part.

    Equations that share a channel, a reference node or a declared line are correlated through it.
    """
    budgets = [budget(equation, channels, references, noise) for equation in equations]
    return covariance_of_budgets(budgets, part)


def covariance_of_budgets(budgets: Iterable[Budget], part: Part) -> Floats:
    """Return the covariance in Hz^2 from budgets whose sources have the same names."""
    rows = [{line.source: line.hz for line in b.lines if line.part is part} for b in budgets]
    sources = sorted({source for row in rows for source in row})
    matrix = np.array([[row.get(source, 0.0) for source in sources] for row in rows])
    result: Floats = np.dot(matrix.reshape(len(rows), -1), matrix.reshape(len(rows), -1).T)
    return result


def u_after(counting_hz: float, constant_hz: float, gates: float) -> float:
    """Standard uncertainty of a mean over ``gates`` gates of white frequency noise, in Hz.

    Only the counting part averages (M5). For flicker or drift see M12: the counting part is
    then the measured deviation at that averaging time, and ``gates`` is 1.
    """
    if gates < 1:
        raise InputError(f"a mean is formed over one gate or more, not {gates}")
    return math.sqrt(counting_hz**2 / gates + constant_hz**2)


def _channel_lines(
    equation: Equation, channels: Mapping[str, Channel], noise: Noise
) -> Iterable[Line]:
    fixed = held([equation], channels)
    for name, coefficient in equation.terms:
        channel = channels[name]
        if name not in fixed:
            sigma = noise.sigma.get(name, channel.sigma)
            known = math.nan if sigma is None else sigma
            yield Line(name, Part.COUNTING, float(coefficient), known)
        yield Line(f"{name} (display)", Part.CONSTANT, float(coefficient), channel.u)


def _extra_lines(
    equation: Equation, channels: Mapping[str, Channel], extras: Iterable[Extra]
) -> Iterable[Line]:
    for extra in extras:
        if not extra.of or equation.name in extra.of:
            scale = float(equation.nominal(channels)) if extra.fractional else 1.0
            yield Line(extra.source, Part.CONSTANT, scale, extra.u)


def _rank(line: Line) -> tuple[float, str]:
    size = abs(line.hz)
    return (-math.inf if math.isnan(size) else -size, line.source)
