"""Readers: one per transport around one instrument, seen by the pass as a `Source`."""

from __future__ import annotations

from labref.session.sources import InstrumentFault, Reader, Source

__all__ = ["InstrumentFault", "Reader", "Source"]
