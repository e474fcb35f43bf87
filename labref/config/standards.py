"""What a calibration rests on: things of the lab file, or a standard outside it (M2)."""

from __future__ import annotations

from difflib import get_close_matches

from labref.config.draft import Draft
from labref.config.locate import Path

_STANDARDS = ("references", "combs", "cavities", "lasers", "channels", "instruments")


def standards(draft: Draft, text: str, path: Path) -> tuple[str, ...]:
    """Nodes that a calibration names; text that names nothing here is an outside standard."""
    document = draft.document
    found = [f"{table}.{text}" for table in _STANDARDS if text in document.names(table)]
    table, _, name = text.partition(".")
    if table in _STANDARDS and name in document.names(table):
        found.append(text)
    if found:
        draft.used.update(found)
        return tuple(found)
    names = {name for table in _STANDARDS for name in document.names(table)}
    near = get_close_matches(text, names, n=1, cutoff=0.8)
    if near:
        draft.complaints.warning(
            path, f"{text!r} is taken as a standard outside this file: is {near[0]!r} meant?"
        )
    return (f"outside.{text}",)
