"""labref: absolute laser frequencies at the atoms, with uncertainty and a three-valued verdict.

Importing this package loads nothing else; the public names below are loaded on first use.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_HOMES = {
    "load_lab": "labref.config.lab",
    "open_trace": "labref.trace.reader",
    "Session": "labref.session.session",
    "hookimpl": "labref.hookspecs",
}

__all__ = ["Session", "__version__", "hookimpl", "load_lab", "open_trace"]

if TYPE_CHECKING:
    from labref.config.lab import load_lab
    from labref.hookspecs import hookimpl
    from labref.session.session import Session
    from labref.trace.reader import open_trace


def __getattr__(name: str) -> Any:
    """Load a public name on first use (PEP 562)."""
    if name not in _HOMES:
        raise AttributeError(f"module 'labref' has no attribute {name!r}")
    value = getattr(importlib.import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
