"""A fault: something in the software or an instrument that failed, as a value."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """``where`` failed (plugin, check, instrument, trace), ``what`` it said, and when."""

    where: str
    what: str
    time_ns: int
