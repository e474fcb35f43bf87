"""Durations as a person types them: ``90``, ``90s``, ``15min``, ``12h``, ``3d``."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import click

_SECONDS = {"": 1, "s": 1, "min": 60, "m": 60, "h": 3600, "d": 86_400}


if TYPE_CHECKING:
    _FloatType = click.ParamType[float]
else:
    _FloatType = click.ParamType  # generic for type checkers only, in older releases


class Duration(_FloatType):
    """A length of time; becomes seconds as float."""

    name = "duration"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Parse ``value``; fails with what is allowed."""
        if isinstance(value, int | float):
            return float(value)
        match = re.fullmatch(r"(\d+(?:\.\d+)?)\s*([a-z]*)", str(value).strip().lower())
        if match is None or match[2] not in _SECONDS:
            self.fail(f"{value!r} is not a duration such as 90s, 15min, 12h or 3d", param, ctx)
        return float(match[1]) * _SECONDS[match[2]]
