"""When to try again: exponential back-off, bounded, with jitter."""

from __future__ import annotations

import random


class Backoff:
    """Delays that double from ``first_s`` up to ``longest_s``, each cut at random by up to half.

    The cut keeps thirty instruments, lost in one power cut, from knocking all at once.
    `reset` only after the instrument has answered sensibly, not after it merely connected.
    """

    def __init__(
        self,
        first_s: float = 0.1,
        longest_s: float = 5.0,
        generator: random.Random | None = None,
    ) -> None:
        if not 0 < first_s <= longest_s:
            raise ValueError("back-off needs 0 < first_s <= longest_s")
        self._first_s = first_s
        self._longest_s = longest_s
        self._random = generator or random.Random()
        self._tries = 0

    @property
    def tries(self) -> int:
        """Delays handed out since the last reset."""
        return self._tries

    def next_s(self) -> float:
        """Return the next delay in seconds."""
        # 2**60 is beyond any bound: the exponent stays small for a year of failures.
        full_s = min(self._longest_s, self._first_s * 2.0 ** min(self._tries, 60))
        self._tries += 1
        return full_s * self._random.uniform(0.5, 1.0)

    def reset(self) -> None:
        """Begin again with the first delay."""
        self._tries = 0
