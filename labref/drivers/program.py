"""What all programs share: identity, configuration, read-back, resynchronisation."""

from __future__ import annotations

import math
from functools import cached_property

from labref.drivers.asking import Asker
from labref.drivers.base import InstrumentSetup, Setting
from labref.drivers.dialect import Dialect, fill, resolve_options
from labref.drivers.gates import HostTime
from labref.drivers.numbers import to_wire
from labref.drivers.scpi import Identity, parse_identity
from labref.drivers.settings import Watch
from labref.model.errors import InputError, ReplyError
from labref.model.flags import Flag
from labref.model.times import NS_PER_S, Clock
from labref.transport.steps import Drain, Exchange, Pause, ReadLine, Send

_WRITTEN = int(Flag.WRITTEN)

_SLOT_S = 0.002

# After resynchronising, this many lines may be older than the identity that we wait for.
_MOST_OLD_LINES = 64


class BaseProgram:
    """A program whose words come from a dialect. Subclasses add `begin` and `fetch`.

    Raises InputError when the lab file's inputs or options do not fit the dialect.
    """

    def __init__(self, setup: InstrumentSetup, dialect: Dialect, clock: Clock) -> None:
        self.setup = setup
        self.dialect = dialect
        self.clock = clock
        self.host = HostTime(clock)
        self.is_sink = dialect.role == "sink"
        where = f"instrument {setup.name!r}"
        self.values = resolve_options(dialect, setup.options, where)
        self.values.setdefault("inputs", ",".join(name for name, _ in setup.inputs))
        self.values.setdefault("gate_s", _seconds(setup.period_ns))
        self.ask = Asker(dialect)
        self.watch = Watch(dialect, self.values)
        self._identity: bytes | None = None

    @cached_property
    def gate_s(self) -> float:
        """Seconds of a gate, for waiting only."""
        return self.setup.period_ns / NS_PER_S

    def identify(self) -> Exchange[Identity | None]:
        """Ask ``*IDN?`` or the dialect's own question."""
        if not self.dialect.identify:
            return None
        text = yield from self.ask.one(self.dialect.identify)
        self._identity = text.encode("ascii")
        if self.dialect.identify == "*IDN?":
            return parse_identity(self._identity)
        if not text:
            raise ReplyError("an empty identity")
        return Identity("", text)

    def configure(self) -> Exchange[None]:
        """Send the dialect's lines to a sink, then see whether it understood them."""
        if not self.is_sink:
            return
        for line in self.dialect.configure:
            command = fill(line, self.values)
            if command is not None:
                yield from self.ask.tell(command)
        errors = yield from self.ask.errors()
        if errors:
            raise ReplyError(f"{self.setup.name}: refused its configuration: {', '.join(errors)}")

    def read_settings(self) -> Exchange[list[Setting]]:
        """Read back every setting of the dialect."""
        names = self.watch.names
        if not names:
            return []
        replies, _ = yield from self.ask.many([self.watch.query(name) for name in names])
        return self.note_settings(names, replies)

    def note_settings(self, names: list[str], replies: list[str]) -> list[Setting]:
        """Compare replies with the lab file."""
        now_s = self.clock.monotonic_s()
        return [
            self.watch.take(name, reply, now_s) for name, reply in zip(names, replies, strict=True)
        ]

    def read_errors(self) -> Exchange[list[str]]:
        """Empty the error queue."""
        return (yield from self.ask.errors())

    def begin(self) -> Exchange[None]:
        """Nothing to prepare."""
        yield from ()

    def settle(self) -> Exchange[None]:
        """Right after connecting: let what was on its way arrive and be forgotten."""
        yield Drain(0.02)

    def resync(self) -> Exchange[None]:
        """Drain, ask for the identity, skip older replies until it comes, drain again.

        Replies come in the order of their queries, so whatever precedes the identity is old.
        Raises ReplyError when it does not come.
        """
        yield Drain()
        if not self.dialect.identify or self._identity is None:
            return
        end = self.dialect.line_end
        yield Send(self.dialect.identify.encode("ascii") + end, quiet=False)
        for _ in range(_MOST_OLD_LINES):
            line = yield ReadLine(end)
            if line.strip() == self._identity:
                yield Drain()  # an identity asked for earlier may follow
                return
        raise ReplyError(f"{self.setup.name}: does not come back into step")


class Metronome:
    """Rounds at a fixed period on the monotonic clock; late rounds do not pile up.

    The first round begins on a lattice of 2 ms that all instruments share, so that one waking
    of the selector loop serves several: waking costs as much as a round.
    """

    def __init__(self, clock: Clock, period_s: float) -> None:
        self._clock = clock
        self.period_s = period_s
        self._slot_s = min(_SLOT_S, period_s)
        self.restart()

    def restart(self) -> None:
        """Let the next round be due now, or within the next 2 ms."""
        self._next_s = math.ceil(self._clock.monotonic_s() / self._slot_s) * self._slot_s

    def wait(self) -> Exchange[None]:
        """Pause until the next round is due."""
        now_s = self._clock.monotonic_s()
        if now_s < self._next_s:
            yield Pause(self._next_s - now_s)
        late_s = self._clock.monotonic_s() - self._next_s
        missed = max(0, int(late_s / self.period_s))
        self._next_s += (1 + missed) * self.period_s


def _seconds(ns: int) -> str:
    from fractions import Fraction

    return to_wire(Fraction(ns, NS_PER_S))


def one_input(setup: InstrumentSetup, dialect: Dialect) -> None:
    """Raise InputError when an instrument without inputs is asked for readings."""
    if not setup.inputs:
        raise InputError(f"instrument {setup.name!r} ({dialect.name}): no channel uses it")
