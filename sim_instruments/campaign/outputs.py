"""Outputs of the campaign's laboratory, and the log of what they did that hurts.

What is forbidden is looked up in the laboratory's truth, not in what its instruments said.
"""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction

# A read-back passes as a float.
_ROUNDING = 1 + Fraction(1, 10**9)


@dataclass
class HarmLog:
    """Everything that must never happen, counted; ``examples`` keeps the first few of each."""

    counts: Counter[str] = field(default_factory=Counter)
    examples: dict[str, list[str]] = field(default_factory=dict)

    def add(self, kind: str, text: str, amount: float = 1) -> None:
        """Count one."""
        self.counts[kind] += amount  # type: ignore[assignment]
        kept = self.examples.setdefault(kind, [])
        if len(kept) < 5:
            kept.append(text)


@dataclass
class Knob:
    """One output: its range, largest step and slew as the lab file states them.

    ``forbidden`` names what forbids a move now, from the truth.
    """

    name: str
    low: Fraction
    high: Fraction
    largest_step: Fraction
    slew_per_s: Fraction
    value: Fraction
    harm: HarmLog
    forbidden: Callable[[], list[str]] = list
    moves: int = 0
    moved_s: float = float("-inf")

    def write(self, to: Fraction, now_s: float) -> None:
        """Move by program, whatever it is told, and log what was wrong with it."""
        step = abs(to - self.value)
        where = f"{self.name} to {float(to)!r} at {now_s:.0f} s"
        if not self.low <= to <= self.high:
            self.harm.add("outside its harmless range", where)
        if step > self.largest_step * _ROUNDING:
            self.harm.add("step too large", where)
        if step > _ROUNDING * self.slew_per_s * Fraction(
            max(now_s - self.moved_s, 0.0) if self.moves else 1e9
        ):
            self.harm.add("slew too fast", where)
        for why in self.forbidden():
            self.harm.add(f"moved: {why}", where)
        self.value, self.moved_s = to, now_s
        self.moves += 1

    def by_hand(self, to: float) -> None:
        """Move by hand, at the front panel; stays in its range."""
        exact = Fraction(str(round(to, 4)))
        self.value = min(max(exact, self.low), self.high)
