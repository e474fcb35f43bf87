"""Asks several questions in one message, so that no old answer can pass for a new one.

Theory of operation. A reply says nothing about the query that it answers. After a reply was
lost, repeated or swapped, every later one would be believed for its neighbour. Three guards:
bytes that arrive unasked fail the next query (`Send.quiet`); all questions of a round travel
as one compound message whose reply must have exactly as many parts; and the error queue's
question, whose answer looks like no measurement, stands first and last in turn, so that the
reply of the previous round does not fit this round's.
"""

from __future__ import annotations

from collections.abc import Sequence

from labref.drivers.dialect import Dialect
from labref.drivers.scpi import ErrorEntry, ascii_text, parse_error, split_units
from labref.model.errors import ReplyError
from labref.transport.steps import Exchange, ReadLine, Send

# SCPI-1999 queues hold a few tens of entries; an instrument that always has one more is ill.
_MOST_ERRORS = 40
_MOST_KEPT = 64


class Asker:
    """Sends queries and checks the shape of what comes back.

    A dialect without an error query has no sentinel.
    """

    def __init__(self, dialect: Dialect) -> None:
        self._line_end = dialect.line_end
        self._compound = dialect.compound
        self._error_query = dialect.errors
        self._acknowledge = dialect.acknowledge
        self._flip = False
        self._line = ReadLine(dialect.line_end)
        self._sends: dict[str, Send] = {}
        self._compounds: dict[tuple[str, ...], str] = {}

    def tell(self, command: str) -> Exchange[None]:
        """Send a command that has no answer, or the dialect's acknowledgement."""
        if not self._acknowledge:
            yield Send(command.encode("ascii") + self._line_end)
            return
        reply = yield from self.one(command)
        if reply != self._acknowledge:
            raise ReplyError(
                f"{reply[:60]!r} where {self._acknowledge!r} should confirm {command!r}"
            )

    def one(self, query: str, timeout_s: float | None = None) -> Exchange[str]:
        """Send ``query``; return its reply as text."""
        yield self._sent(query)
        line = yield self._line if timeout_s is None else ReadLine(self._line_end, timeout_s)
        return ascii_text(line)

    def many(
        self, queries: Sequence[str], timeout_s: float | None = None
    ) -> Exchange[tuple[list[str], list[str]]]:
        """Ask all ``queries``; return their replies and what the error queue held.

        Raises ReplyError where the number of replies or the sentinel's shape is wrong.
        """
        asked = list(queries)
        if self._error_query:
            self._flip = not self._flip
            asked.insert(len(asked) if self._flip else 0, self._error_query)
        replies = yield from self._replies(asked, timeout_s)
        if not self._error_query:
            return replies, []
        entry = parse_error(replies.pop(-1 if self._flip else 0))
        errors = (yield from self.errors(entry)) if entry.code else []
        return replies, errors

    def errors(self, first: ErrorEntry | None = None) -> Exchange[list[str]]:
        """Empty the error queue; ``first`` has been read already."""
        found = [str(first)] if first is not None else []
        while self._error_query and len(found) < _MOST_ERRORS:
            entry = parse_error((yield from self.one(self._error_query)))
            if not entry.code:
                break
            found.append(str(entry))
        return found

    def _sent(self, query: str) -> Send:
        """The step that sends ``query``; the same few are sent a hundred times a second."""
        step = self._sends.get(query)
        if step is None:
            step = Send(query.encode("ascii") + self._line_end)
            if len(self._sends) < _MOST_KEPT:
                self._sends[query] = step
        return step

    def _joined(self, queries: list[str]) -> str:
        """All queries as one message; the same few are asked over and over."""
        key = tuple(queries)
        message = self._compounds.get(key)
        if message is None:
            message = ";".join(_rooted(query) for query in queries)
            if len(self._compounds) < _MOST_KEPT:
                self._compounds[key] = message
        return message

    def _replies(self, queries: list[str], timeout_s: float | None) -> Exchange[list[str]]:
        if not self._compound:
            replies = []
            for query in queries:
                replies.append((yield from self.one(query, timeout_s)))
            return replies
        text = yield from self.one(self._joined(queries), timeout_s)
        replies = split_units(text)
        if len(replies) != len(queries):
            raise ReplyError(f"{len(queries)} questions, {len(replies)} answers: {text[:80]!r}")
        return replies


def _rooted(query: str) -> str:
    """Begin at the root of the command tree, whatever stood before (SCPI-1999 vol. 1, 6.2.4)."""
    return query if query[:1] in ":*" else f":{query}"
