"""Rehearsal: the same code with the outputs replaced by a log (S7)."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction


@dataclass(frozen=True, slots=True)
class Imagined:
    """A write that would have been; done at once."""

    became: Fraction

    @property
    def done(self) -> bool:
        """Always."""
        return True

    def value(self) -> Fraction:
        """What was asked."""
        return self.became

    def cancel(self) -> None:
        """Nothing to recall."""


@dataclass
class LogPort:
    """A port that moves nothing and remembers what it was asked, newest last."""

    name: str
    asked: list[Fraction | None] = field(default_factory=list)

    def move(self, to: Fraction, expected: Fraction, agree: Fraction) -> Imagined:  # noqa: ARG002
        """Note it."""
        self._note(to)
        return Imagined(to)

    def off(self) -> Imagined:
        """Note it."""
        self._note(None)
        return Imagined(Fraction(0))

    def _note(self, value: Fraction | None) -> None:
        self.asked.append(value)
        del self.asked[:-1000]
