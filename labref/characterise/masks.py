"""Masks by name or by file, as a command line or a plan gives them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from labref.model.errors import InputError
from labref.stability.itu import ITU_MASKS
from labref.stability.masks import Mask, Segment, load


def mask_named(text: str, folder: Path = Path()) -> Mask:
    """Return a published mask, or one of a TOML file under ``folder``. Raises InputError."""
    if text in ITU_MASKS:
        return ITU_MASKS[text]
    path = folder / text
    if not path.is_file():
        raise InputError(f"mask {text!r} is neither a file nor one of: {', '.join(ITU_MASKS)}")
    return load(path)


def mask_values(mask: Mask) -> dict[str, Any]:
    """A mask as plain values for JSON: an end without limit is null."""
    pieces = [(piece.from_s, piece.to_s, piece.constant, piece.slope) for piece in mask.segments]
    plain = [[None if math.isinf(value) else value for value in piece] for piece in pieces]
    names = {key: getattr(mask, key) for key in ("name", "statistic", "unit", "source")}
    return {**names, "segments": plain}


def mask_from(values: Mapping[str, Any]) -> Mask:
    """Inverse of `mask_values`. Raises KeyError, TypeError."""
    pieces = [
        Segment(begin, math.inf if end is None else end, constant, slope)
        for begin, end, constant, slope in values["segments"]
    ]
    named: dict[str, str] = {key: values[key] for key in ("name", "statistic", "unit", "source")}
    return Mask(**named, segments=tuple(pieces))
