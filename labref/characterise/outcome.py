"""What a part ends in: lines that pass, fail or cannot be told, and plain values for JSON."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from typing import Any

from labref.model.verdict import State

_WORDS = {State.GOOD: "pass", State.BAD: "fail", State.UNKNOWN: "cannot tell"}


@dataclass(frozen=True)
class Line:
    """One statement: ``state`` is pass, fail or cannot tell; texts carry units."""

    what: str
    state: str
    value: str
    limit: str = ""


@dataclass(frozen=True)
class Outcome:
    """The end of one part.

    ``broken`` is the error that ended it, empty where it was carried out. ``values`` is what was
    found, for JSON; ``offer`` a fitted reference in planning's form.
    """

    part: str
    kind: str
    title: str
    lines: tuple[Line, ...] = ()
    notes: tuple[str, ...] = ()
    values: dict[str, Any] = field(default_factory=dict)
    offer: dict[str, Any] | None = None
    broken: str = ""
    key: str = ""

    @property
    def state(self) -> str:
        """fail before cannot tell before pass; broken counts as fail."""
        states = {line.state for line in self.lines}
        if self.broken or "fail" in states:
            return "fail"
        return "cannot tell" if "cannot tell" in states else "pass"

    def as_values(self) -> dict[str, Any]:
        """Return everything as plain values."""
        return {**asdict(self), "state": self.state}


def outcome_from(values: dict[str, Any]) -> Outcome:
    """Inverse of `Outcome.as_values`. Raises KeyError or TypeError for other values."""
    kept = {key: value for key, value in values.items() if key != "state"}
    lines = tuple(Line(**line) for line in kept.pop("lines"))
    return Outcome(lines=lines, notes=tuple(kept.pop("notes")), **kept)


def word(state: State) -> str:
    """Return pass, fail or cannot tell."""
    return _WORDS[state]


def at_most(value: float, u: float, limit: float, k: float = 3.0) -> str:
    """Judge |value| against a limit with U = k u (M5): pass, fail or cannot tell."""
    if abs(value) + k * u <= limit:
        return "pass"
    return "fail" if abs(value) - k * u > limit else "cannot tell"


def exit_code(outcomes: Iterable[Outcome]) -> int:
    """Return 0 if all passed, 1 if one failed or broke, 3 if one cannot be told."""
    states = {outcome.state for outcome in outcomes}
    if "fail" in states:
        return 1
    return 3 if "cannot tell" in states else 0
