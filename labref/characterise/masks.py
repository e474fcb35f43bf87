"""Masks by name or by file, as a command line or a plan gives them."""

from __future__ import annotations

from pathlib import Path

from labref.model.errors import InputError
from labref.stability.itu import ITU_MASKS
from labref.stability.masks import Mask, load


def mask_named(text: str, folder: Path = Path()) -> Mask:
    """Return a published mask, or one of a TOML file under ``folder``. Raises InputError."""
    if text in ITU_MASKS:
        return ITU_MASKS[text]
    path = folder / text
    if not path.is_file():
        raise InputError(f"mask {text!r} is neither a file nor one of: {', '.join(ITU_MASKS)}")
    return load(path)
