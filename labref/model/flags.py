"""Flags of one gate. All-zero bytes mean that nothing was written."""

from __future__ import annotations

from enum import IntFlag


class Flag(IntFlag):
    """Bits of the ``flags`` column (uint32). Every bit but WRITTEN makes a gate unusable."""

    WRITTEN = 1
    GAP = 2
    LATE = 4
    LINK = 8
    REFERENCE = 16
    CYCLE_SLIP = 32
    SATURATED = 64
    CLOCK_STEP = 128
    UNVERIFIED = 256
    NOT_SYNCHRONOUS = 512
    TOO_GOOD = 1024
    SETTINGS = 2048
    STALE = 4096
    UNITS = 8192


# A gate is usable when none of these is set. LATE readings are stored, never derived.
UNUSABLE = 0xFFFF_FFFF & ~int(Flag.WRITTEN)

FLAG_TEXTS: dict[Flag, str] = {
    Flag.GAP: "no reading in this gate",
    Flag.LATE: "reading came after its lateness limit",
    Flag.LINK: "instrument link down",
    Flag.REFERENCE: "reference not trusted",
    Flag.CYCLE_SLIP: "cycle slip",
    Flag.SATURATED: "input saturated or too weak",
    Flag.CLOCK_STEP: "host clock stepped",
    Flag.UNVERIFIED: "not verified after a power cut",
    Flag.NOT_SYNCHRONOUS: "gates not synchronous",
    Flag.TOO_GOOD: "too good to be a measurement",
    Flag.SETTINGS: "instrument settings differ from the lab file",
    Flag.STALE: "last reading too old",
    Flag.UNITS: "reading in an unexpected unit or out of range",
}


def flag_text(flags: int) -> str:
    """Return the reasons in ``flags`` as one readable text, empty when usable."""
    return ", ".join(text for flag, text in FLAG_TEXTS.items() if flags & flag)
