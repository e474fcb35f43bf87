"""An optical frequency as an exact affine form of counted, set and displayed quantities.

Once the integers are known, every way from the counters to the atoms is one row

    nu = constant + sum_i c_i * (N_i + x_i)

with exact rational ``constant`` and ``c_i``, the exact nominal ``N_i`` of channel ``i`` and its
float64 offset ``x_i``. An equation therefore never holds a float. It does not know the nominals:
those belong to the channels, so that the same equation serves when a nominal is moved nearer.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

from labref.model.channel import Channel
from labref.model.errors import InputError
from labref.model.exact import Exact, exact, exact_text

Terms = tuple[tuple[str, Fraction], ...]


@dataclass(frozen=True, slots=True)
class Equation:
    """``name`` = ``constant`` (Hz) + sum of coefficient * channel, all exact.

    ``terms`` may be given in any order, with repeated names and zeros; they are kept sorted by
    name, added up, without zeros. ``epoch`` counts the sets of integers in force: a relock or a
    new mode number starts a new one. ``integers`` names the Integer records relied on (M19).
    Raises InputError where a number is a float.
    """

    name: str
    constant: Fraction
    terms: Terms
    epoch: int = 1
    integers: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "constant", exact(self.constant))
        object.__setattr__(self, "terms", _tidy(self.terms))
        object.__setattr__(self, "integers", tuple(sorted(set(self.integers))))

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the channels that enter, sorted."""
        return tuple(name for name, _ in self.terms)

    def coefficient(self, channel: str) -> Fraction:
        """Exact derivative with respect to ``channel``; zero where it does not enter."""
        return next((c for name, c in self.terms if name == channel), Fraction(0))

    def nominal(self, channels: Mapping[str, Channel]) -> Fraction:
        """Exact value in Hz with every channel at its nominal. Raises InputError."""
        return self.value(
            {name: named_channel(channels, name, self).nominal for name in self.channels}
        )

    def value(self, values: Mapping[str, Exact]) -> Fraction:
        """Exact value in Hz for exact ``values`` of the channels. Raises InputError."""
        missing = [name for name in self.channels if name not in values]
        if missing:
            raise InputError(f"equation {self.name!r} needs channel {', '.join(missing)}")
        return self.constant + sum(c * exact(values[name]) for name, c in self.terms)

    def plus(self, other: Equation, factor: Exact = 1) -> Equation:
        """``self + factor * other``, keeping this name, the later epoch and all integers."""
        weight = exact(factor)
        return Equation(
            self.name,
            self.constant + weight * other.constant,
            (*self.terms, *((name, weight * c) for name, c in other.terms)),
            max(self.epoch, other.epoch),
            (*self.integers, *other.integers),
        )

    def scaled(self, factor: Exact) -> Equation:
        """``factor * self``."""
        weight = exact(factor)
        terms = tuple((name, weight * c) for name, c in self.terms)
        return replace(self, constant=weight * self.constant, terms=terms)

    def shifted(self, constant: Exact) -> Equation:
        """``self + constant`` (Hz)."""
        return replace(self, constant=self.constant + exact(constant))

    def substitute(self, channel: str, equation: Equation) -> Equation:
        """Replace ``channel`` by ``equation``; unchanged where the channel does not enter."""
        weight = self.coefficient(channel)
        if not weight:
            return self
        rest = tuple(term for term in self.terms if term[0] != channel)
        return replace(self, terms=rest).plus(equation, weight)

    def isolate(self, channel: str, value: Equation) -> Equation:
        """Solve ``self = value`` for ``channel``: the equation of that channel.

        A comb locked to an optical reference: the tooth's equation, isolated for f_rep, with
        the reference's frequency as ``value``. Raises InputError where the channel is absent.
        """
        weight = self._weight(channel)
        rest = replace(self, terms=tuple(term for term in self.terms if term[0] != channel))
        return value.plus(rest, -1).scaled(1 / weight).renamed(channel)

    def solve_for(self, channel: str, value: Exact, channels: Mapping[str, Channel]) -> Fraction:
        """Exact value of ``channel`` that makes the equation equal ``value`` (Hz).

        Every other channel stands at its nominal. Raises InputError.
        """
        weight = self._weight(channel)
        others = replace(self, terms=tuple(term for term in self.terms if term[0] != channel))
        return (exact(value) - others.nominal(channels)) / weight

    def with_epoch(self, epoch: int) -> Equation:
        """The same equation in another epoch."""
        return replace(self, epoch=epoch)

    def renamed(self, name: str) -> Equation:
        """The same equation under another name."""
        return replace(self, name=name)

    def relying_on(self, *integers: str) -> Equation:
        """The same equation, relying on these Integer records as well (M19)."""
        return replace(self, integers=(*self.integers, *integers))

    def text(self) -> str:
        """Return it as one readable line, exact: ``nu = - beat + 1644168 f_rep + 20000000 Hz``."""
        parts = [f"{_sign(c)} {_factor(c)}{name}" for name, c in self.terms]
        if self.constant or not parts:
            parts.append(f"{_sign(self.constant)} {exact_text(abs(self.constant))} Hz")
        line = " ".join(parts)
        return f"{self.name} = {line.removeprefix('+ ')}"

    def _weight(self, channel: str) -> Fraction:
        weight = self.coefficient(channel)
        if not weight:
            raise InputError(
                f"equation {self.name!r} does not depend on {channel!r}: it can be solved for "
                f"{', '.join(self.channels) or 'nothing'}"
            )
        return weight


def tap(channel: Channel | str) -> Equation:
    """Return the channel itself as an equation: a direct measurement."""
    name = channel if isinstance(channel, str) else channel.name
    return Equation(name, Fraction(0), ((name, Fraction(1)),))


def constant(name: str, value: Exact | str) -> Equation:
    """Return a fixed exact frequency as an equation.

    Only for numbers without a reference (an integer ratio's offset); anything that an
    instrument makes is a channel, so that it carries its reference.
    """
    return Equation(name, exact(value), ())


def named_channel(channels: Mapping[str, Channel], name: str, equation: Equation) -> Channel:
    """Return ``channels[name]``; InputError says which equation misses it."""
    try:
        return channels[name]
    except KeyError:
        raise InputError(
            f"equation {equation.name!r} needs channel {name!r}, which is not declared"
        ) from None


def _tidy(terms: Iterable[tuple[str, Fraction]]) -> Terms:
    sums: dict[str, Fraction] = {}
    for name, coefficient in terms:
        sums[name] = sums.get(name, Fraction(0)) + exact(coefficient)
    return tuple(sorted((name, c) for name, c in sums.items() if c))


def _sign(number: Fraction) -> str:
    return "-" if number < 0 else "+"


def _factor(coefficient: Fraction) -> str:
    size = abs(coefficient)
    if size == 1:
        return ""
    return f"({exact_text(size)}) " if size.denominator != 1 else f"{size.numerator} "
