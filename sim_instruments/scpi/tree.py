"""The command tree as a readable table, and the walk that finds a command in it.

An instrument declares a list of `Command`; each has the header pattern of `header.py`, what
it does when written, what it answers when queried, and its parameters. `setting` makes both
halves for a value that is simply stored and read back.
"""

from collections.abc import Callable, Generator
from dataclasses import dataclass
from typing import Any

from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.header import Match, compile_pattern, match, split_typed
from sim_instruments.scpi.values import (
    Boolean,
    Choice,
    Number,
    Parameter,
    respond_flag,
    respond_number,
)

Answer = str | bytes | None
Wait = Generator[int, int, Answer]
Reply = Answer | Wait
"""A handler answers at once, or yields instants (ns UTC) to wait for and is sent the present."""


@dataclass
class Call:
    """What a handler is given: numeric suffixes, values, the instant, the connection."""

    suffixes: tuple[int, ...]
    values: list[Any]
    now_ns: int
    session: Any


Handler = Callable[[Call], Reply]


@dataclass(frozen=True)
class Command:
    """One row of the table. ``highest`` bounds each numeric suffix of the pattern (-114)."""

    pattern: str
    write: Handler | None = None
    query: Handler | None = None
    parameters: tuple[Parameter, ...] = ()
    query_parameters: tuple[Parameter, ...] = ()
    highest: tuple[int, ...] = ()


@dataclass(frozen=True)
class Found:
    """A command with the suffixes and the full path under which it was found."""

    command: Command
    match: Match


def setting(
    pattern: str,
    parameter: Parameter,
    store: Callable[[Call, Any], Reply],
    load: Callable[[Call], Any],
    highest: tuple[int, ...] = (),
) -> Command:
    """A stored value: written through ``store``, queried through ``load``.

    Numbers also answer ``? MIN``, ``? MAX`` and ``? DEF``.
    """

    def write(call: Call) -> Reply:
        return store(call, call.values[0])

    def query(call: Call) -> Reply:
        if call.values and call.values[0] is not None and isinstance(parameter, Number):
            return respond_number(parameter.limit(call.values[0]))
        return respond(parameter, load(call))

    limits = (
        (Choice(("MINimum", "MAXimum", "DEFault"), "DEF", optional=True),)
        if isinstance(parameter, Number)
        else ()
    )
    return Command(pattern, write, query, (parameter,), limits, highest)


def respond(parameter: Parameter, value: Any) -> str:
    """Response text of a stored value."""
    if isinstance(parameter, Number):
        return respond_number(value)
    if isinstance(parameter, Boolean):
        return respond_flag(value)
    return str(value)


class Tree:
    """Finds commands; remembers what it found (at most ``memory`` headers)."""

    def __init__(self, commands: list[Command], memory: int = 1024) -> None:
        self.commands = commands
        self._patterns = [(compile_pattern(command.pattern), command) for command in commands]
        self._memory = memory
        self._known: dict[tuple[tuple[str, ...], bool], Found | None] = {}

    def find(
        self, header: str, query: bool, bases: list[tuple[str, ...]]
    ) -> tuple[Found, tuple[str, ...]]:
        """Command for a typed header and the path it was found under; ScpiError -113, -114."""
        typed = split_typed(header)
        rooted = header.startswith((":", "*"))
        for base in [()] if rooted else bases:
            found = self._lookup(base + typed, query)
            if found is not None:
                _check_suffixes(found, header)
                return found, base
        raise ScpiError(-113, header[:40])

    def _lookup(self, path: tuple[str, ...], query: bool) -> Found | None:
        key = (path, query)
        if key not in self._known:
            if len(self._known) >= self._memory:
                self._known.clear()
            self._known[key] = self._search(path, query)
        return self._known[key]

    def _search(self, path: tuple[str, ...], query: bool) -> Found | None:
        for nodes, command in self._patterns:
            if (command.query if query else command.write) is None:
                continue
            fit = match(path, nodes)
            if fit is not None:
                return Found(command, fit)
        return None


def _check_suffixes(found: Found, header: str) -> None:
    limits = found.command.highest or (1,) * len(found.match.suffixes)
    for suffix, limit in zip(found.match.suffixes, limits, strict=True):
        if not 1 <= suffix <= limit:
            raise ScpiError(-114, header[:40])
