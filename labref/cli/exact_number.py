"""Exact decimal numbers as command-line arguments."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

import click

from labref.model.errors import InputError
from labref.model.exact import exact, exact_text

if TYPE_CHECKING:
    _FractionType = click.ParamType[Fraction]
else:
    _FractionType = click.ParamType  # generic for type checkers only, in older releases


class ExactNumber(_FractionType):
    """Decimal text that becomes an exact Fraction; a usage error names what is wrong."""

    name = "number"

    def __init__(self, unit: str) -> None:
        self.name = unit

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> Fraction:
        """Return the exact value."""
        if isinstance(value, Fraction):
            return value
        try:
            return exact(str(value))
        except InputError as error:
            self.fail(str(error), param, ctx)


HZ = ExactNumber("HZ")
NM = ExactNumber("NM")


def plain(number: float) -> str:
    """A float as shortest decimal text without exponent."""
    return exact_text(exact(repr(number)))
