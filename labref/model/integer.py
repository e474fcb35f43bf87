"""Mode numbers and signs as records with evidence and an end of life (rules M17 to M19)."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Integer:
    """A mode number or a sign, and why anybody should believe it.

    ``margin_hz`` is half the distance, at the plane of the tap, to the next plausible candidate:
    how far the light may be off before another would fit better.
    ``found_ns`` is None where the lab file asserts the integer without dated evidence.
    """

    name: str
    value: int
    evidence: str = "asserted in the lab file"
    k: float | None = None
    found_ns: int | None = None
    f_rep_hz: str | None = None
    by: str | None = None
    margin_hz: float | None = None
    void_reason: str | None = None

    @property
    def is_confirmed(self) -> bool:
        """Whether dated evidence stands behind it and nothing voided it since."""
        return self.found_ns is not None and self.void_reason is None
