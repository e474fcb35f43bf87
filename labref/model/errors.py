"""What can go wrong, as one small tree.

    LabrefError
    ├── LabFileError      the lab file is wrong: all its problems at once
    ├── InputError        a log, a trace or an argument cannot be used
    ├── AmbiguousError    refused: more than one answer is plausible (exit code 3)
    ├── RefusedError      refused: outside declared limits, or not permitted
    ├── NotSynchronousError  gates do not overlap enough to be combined
    ├── TraceError        a trace cannot be written or read
    ├── LinkError         the wire: cannot open, closed by the peer, time-out
    └── ReplyError        the peer answered, but not with a usable value

LinkError and ReplyError never leave the acquisition pass: they become flags.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


class LabrefError(Exception):
    """Base of every error that this package raises on purpose."""


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One thing wrong in a lab file: where it stands and what to do about it."""

    line: int
    where: str
    what: str

    def text(self, file: str) -> str:
        """Return ``file:line: where: what``."""
        place = f"{file}:{self.line}" if self.line else file
        return f"{place}: {self.where}: {self.what}" if self.where else f"{place}: {self.what}"


class LabFileError(LabrefError):
    """A lab file with at least one problem; ``problems`` holds all of them, by line."""

    def __init__(self, file: str, problems: Iterable[Problem]) -> None:
        self.file = file
        self.problems = tuple(sorted(problems))
        super().__init__("\n".join(problem.text(file) for problem in self.problems))


class InputError(LabrefError):
    """A log, a record or an argument that cannot be used; the text says what to do."""


class AmbiguousError(LabrefError):
    """Refused because more than one answer is plausible; ``candidates`` lists them."""

    def __init__(self, message: str, candidates: Iterable[object] = ()) -> None:
        super().__init__(message)
        self.candidates = tuple(candidates)


class RefusedError(LabrefError):
    """Refused because a declared limit or a safety rule forbids it."""


class NotSynchronousError(LabrefError):
    """Readings whose gates do not overlap enough to be combined (rule M11)."""


class TraceError(LabrefError):
    """A trace that cannot be created, extended or read."""


class LinkError(LabrefError):
    """The wire failed: it could not be opened, was closed, or nothing came in time."""


class ReplyError(LabrefError):
    """The peer answered, but the answer is not a usable value."""
