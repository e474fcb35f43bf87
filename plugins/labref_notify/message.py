"""What is sent: messages with a cause, gathered into one per cause."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from labref.model.times import iso

MOST_LISTED = 20


@dataclass(frozen=True, slots=True)
class Message:
    """One thing to tell. Messages with the same ``cause`` belong together."""

    time_ns: int
    cause: str
    subject: str
    text: str
    level: str

    @property
    def line(self) -> str:
        """One line."""
        return f"{iso(self.time_ns, 3)} {self.level}: {self.subject}: {self.text}"


@dataclass(frozen=True, slots=True)
class Bundle:
    """All messages of one cause, oldest first; ``lost`` had no room."""

    cause: str
    messages: tuple[Message, ...]
    lost: int = 0

    @property
    def title(self) -> str:
        """One line that says it all."""
        first = self.messages[0]
        if len(self.messages) == 1:
            return f"{first.level}: {first.subject}: {self.cause}"
        subjects = dict.fromkeys(m.subject for m in self.messages)
        shown = ", ".join(list(subjects)[:5]) + (", ..." if len(subjects) > 5 else "")
        return f"{first.level}: {self.cause} ({len(self.messages)} messages: {shown})"

    @property
    def body(self) -> str:
        """Every message on a line; beyond twenty they are counted."""
        lines = [m.line for m in self.messages[:MOST_LISTED]]
        if (more := len(self.messages) - MOST_LISTED) > 0:
            lines.append(f"and {more} more")
        if self.lost:
            lines.append(f"{self.lost} messages before these had no room and were not sent")
        return "\n".join(lines)

    @property
    def values(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "title": self.title,
            "cause": self.cause,
            "lost": self.lost,
            "messages": [
                {
                    "time_ns": m.time_ns,
                    "time": iso(m.time_ns, 3),
                    "level": m.level,
                    "subject": m.subject,
                    "text": m.text,
                }
                for m in self.messages
            ],
        }


def grouped(messages: Iterable[Message], lost: int = 0) -> list[Bundle]:
    """Bundles by cause, in order of the first message of each."""
    by_cause: dict[str, list[Message]] = {}
    for message in messages:
        by_cause.setdefault(message.cause, []).append(message)
    bundles = [Bundle(cause, tuple(found)) for cause, found in by_cause.items()]
    if bundles and lost:
        bundles[0] = Bundle(bundles[0].cause, bundles[0].messages, lost)
    return bundles
