"""References as named nodes of a tree (rule M3)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Reference:
    """A frequency reference: maser, disciplined oscillator, counter time base, DDS clock.

    ``u`` is its fractional standard uncertainty (one sigma) against its parent, or against
    the SI second for a root. ``y`` is a known fractional offset that is corrected.
    ``checked`` is the ISO date of its last independent check, None if there was none.
    """

    name: str
    u: float
    kind: str = "oscillator"
    parent: str | None = None
    y: float = 0.0
    checked: str | None = None
    height_m: float | None = None


def root_of(name: str, references: Mapping[str, Reference]) -> str:
    """Return the root above ``name``. Raises ValueError on a loop, KeyError on a missing node."""
    seen = [name]
    while (parent := references[seen[-1]].parent) is not None:
        if parent in seen:
            raise ValueError(f"reference loop: {' -> '.join([*seen, parent])}")
        seen.append(parent)
    return seen[-1]


def chain(name: str, references: Mapping[str, Reference]) -> tuple[Reference, ...]:
    """Return the nodes from ``name`` up to its root; each adds its own y and u."""
    nodes = [references[name]]
    while (parent := nodes[-1].parent) is not None:
        if any(parent == node.name for node in nodes):
            raise ValueError(f"reference loop at {parent!r}")
        nodes.append(references[parent])
    return tuple(nodes)
