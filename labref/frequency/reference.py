"""What a fractional error of a reference does to an equation (rule M3).

Sign convention. A reference with fractional offset ``y`` runs fast: it makes (1 + y) times the
frequency written on it. A counter clocked by it shows ``f / (1 + y)``, so the true frequency is
the displayed one times (1 + y); a synthesizer clocked by it really makes its set-point times
(1 + y). Counted, synthesised and set values are therefore treated alike:

    true value of channel i = displayed value * (1 + y)        d nu / d y = sum_i c_i * N_i

References form a tree; a node's y is against its parent, so a channel carries the sum of the
y of all nodes above it. An error of a common root moves everything alike and no internal check
sees it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction

from labref.frequency.equation import Equation, named_channel
from labref.model.channel import Channel, Role
from labref.model.errors import InputError
from labref.model.reference import Reference, chain


def node_sensitivity(
    equation: Equation, channels: Mapping[str, Channel], references: Mapping[str, Reference]
) -> dict[str, float]:
    """Return Hz per unit fractional y, for every node that the equation hangs on.

    The sum of c_i * N_i (exact, rounded once) over all channels whose reference is the node or
    lies below it. A channel without reference contributes nothing. Raises InputError.
    """
    sums: dict[str, Fraction] = {}
    for name, coefficient in equation.terms:
        channel = named_channel(channels, name, equation)
        for node in nodes_of(channel, references):
            part = coefficient * channel.nominal
            sums[node.name] = sums.get(node.name, Fraction(0)) + part
    return {name: float(total) for name, total in sorted(sums.items())}


def reference_sensitivity(
    equation: Equation, channels: Mapping[str, Channel], references: Mapping[str, Reference]
) -> dict[str, float]:
    """Return Hz per unit fractional y of each *root*: one term per root (M3)."""
    nodes = node_sensitivity(equation, channels, references)
    return {name: value for name, value in nodes.items() if references[name].parent is None}


def corrected(
    equation: Equation, channels: Mapping[str, Channel], references: Mapping[str, Reference]
) -> Equation:
    """Return the equation with the known y of every reference applied to its coefficients.

    c_i becomes c_i * product of (1 + y) along the chain, exactly (each y by its shortest
    decimal text). Nominal, offsets, set-points and uncertainties then all follow.
    """
    terms = []
    for name, coefficient in equation.terms:
        factor = Fraction(1)
        for node in nodes_of(named_channel(channels, name, equation), references):
            factor *= 1 + Fraction(Decimal(repr(node.y)))
        terms.append((name, coefficient * factor))
    return replace(equation, terms=tuple(terms))


def nodes_of(channel: Channel, references: Mapping[str, Reference]) -> tuple[Reference, ...]:
    """Return the reference nodes above ``channel``, root last; raises InputError."""
    if channel.reference is None:
        return ()
    try:
        return chain(channel.reference, references)
    except KeyError as missing:
        raise InputError(
            f"channel {channel.name!r} hangs on reference {missing}, which is not declared"
        ) from None
    except ValueError as loop:
        raise InputError(f"channel {channel.name!r}: {loop}") from None


def held(equations: Iterable[Equation], channels: Mapping[str, Channel]) -> frozenset[str]:
    """Return the channels of ``equations`` that enter with their nominal only.

    Role set (a lock holds it; its counter only checks it) and assumed values (M9, M10).
    """
    named = {
        name: named_channel(channels, name, equation)
        for equation in equations
        for name in equation.channels
    }
    return frozenset(
        name for name, channel in named.items() if channel.role is Role.SET or channel.assumed
    )
