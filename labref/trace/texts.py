"""Texts of any length in fixed-width records, never cut."""

from __future__ import annotations

from typing import Any

from labref.trace.tables import KIND_BYTES, REASON_BYTES, TEXT_BYTES


def message_records(number: int, time_ns: int, kind: str, text: str) -> list[dict[str, Any]]:
    """Return the records of one message: as many parts as its text needs, at least one."""
    if len(kind.encode()) > KIND_BYTES:
        kind, text = "message", f"{kind}: {text}"
    return [
        {
            "time_ns": time_ns,
            "number": number,
            "part": part,
            "kind": kind.encode(),
            "text": piece,
        }
        for part, piece in enumerate(pieces(text, TEXT_BYTES))
    ]


def pieces(text: str, size: int) -> list[bytes]:
    """Split ``text`` into UTF-8 pieces of at most ``size`` bytes, between characters.

    NUL characters, which end a fixed-width text, are written as U+2400.
    """
    data = text.replace("\0", "\u2400").encode(errors="replace")
    parts = []
    while len(data) > size:
        cut = size
        while data[cut] & 0xC0 == 0x80:  # not the first byte of a character
            cut -= 1
        parts.append(data[:cut])
        data = data[cut:]
    return [*parts, data]


def fits_reason(reason: str) -> bool:
    """Whether a reason can stand in its column as it is; '#...' is kept for references."""
    return (
        len(reason.encode()) <= REASON_BYTES and not reason.startswith("#") and "\0" not in reason
    )
