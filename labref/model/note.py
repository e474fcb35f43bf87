"""What people leave beside the data: notes, hands on a laser, who started a session; messages."""

from __future__ import annotations

import re
from dataclasses import dataclass

NOTE, HANDS_ON, HANDS_OFF, STARTED = "note", "hands on", "hands off", "session start"
KINDS = (NOTE, HANDS_ON, HANDS_OFF, STARTED)

_TEXT = re.compile(r"(?:\[(?P<about>[^\]]*)\] )?(?P<by>[^:\n]+): (?P<text>.*)", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Note:
    """One row: ``kind`` is one of KINDS; ``about`` a laser or transition, or "".

    ``by``: the person. Stored as a message of that kind, ``[about] by: text``, so that every
    older trace and every viewer can hold it.
    """

    time_ns: int
    kind: str
    text: str
    by: str
    about: str = ""

    @property
    def line(self) -> str:
        """The text of the message in the trace."""
        about = f"[{self.about}] " if self.about else ""
        return f"{about}{self.by}: {self.text}"


def note_of(time_ns: int, kind: str, line: str) -> Note | None:
    """The note that a message holds; None where it is another kind of message."""
    if kind not in KINDS:
        return None
    match = _TEXT.fullmatch(line)
    if match is None:
        return Note(time_ns, kind, line, "")
    return Note(time_ns, kind, match["text"], match["by"], match["about"] or "")
