"""Channels that another host's `labref` reads: gates with their stamps, flags and uncertainty.

The wire (a message broker, a socket) brings JSON lines. Understood kinds:

    {"kind": "alive", "alive": true}                      false: the other session is gone
    {"kind": "gates", "channel", "nominal", "start_ns": [], "stop_ns": [], "offset": [],
     "flags": [], "errors": [] or null}                   exact nominal as text; null is no value
    {"kind": "answer", "number", "asked_ns", "heard_ns", "said_ns"}   of our {"kind": "ask"}
    {"kind": "change", "number", "channel", "phase": "announced"|"made"|"withdrawn", "text", "by"}

The other clock is compared by question and answer (four stamps, the quickest of the last eight);
its gates are moved onto our clock and unknown while the comparison is missing, old or worse than
``clock_u_s``. A change that was made voids what rests on the channel until the lab file says that
the integers were renewed (``accepted_changes``): its gates are flagged, never believed.
"""

from __future__ import annotations

import json
import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np

from labref.drivers.base import Fetched, InstrumentSetup, Setting
from labref.drivers.dialect import Dialect
from labref.drivers.gates import HostTime
from labref.drivers.scpi import Identity
from labref.model.channel import Channel
from labref.model.errors import InputError, LinkError, ReplyError
from labref.model.exact import exact
from labref.model.flags import Flag
from labref.model.readings import Readings, block
from labref.model.times import NS_PER_S, Clock
from labref.transport.steps import Exchange, ReadLines, Send, SilenceError

ASK_EVERY_S = 2.0
ASK_AT_FIRST_S = 0.2
# A comparison older than this says nothing about now.
CLOCK_AGE_S = 60.0
_KEPT = 8
_MOST_NOTES = 20
_ALL_FLAGS = sum(int(flag) for flag in Flag)


@dataclass(frozen=True, slots=True)
class Compared:
    """One comparison: the other clock minus ours, its uncertainty (half the way), and when."""

    ahead_ns: int
    u_ns: int
    at_s: float


class OtherClock:
    """The other host's clock against ours, from questions and their answers."""

    def __init__(self) -> None:
        self._recent: deque[Compared] = deque(maxlen=_KEPT)
        self._used: Compared | None = None

    def answered(
        self, asked_ns: int, heard_ns: int, said_ns: int, back_ns: int, now_s: float
    ) -> None:
        """Take four stamps: asked and back on our clock, heard and said on the other."""
        way_ns = (back_ns - asked_ns) - (said_ns - heard_ns)
        if way_ns < 0:
            raise ReplyError("an answer that came before its question")
        ahead_ns = ((heard_ns - asked_ns) + (said_ns - back_ns)) // 2
        self._recent.append(Compared(ahead_ns, way_ns // 2 + 1, now_s))

    def known(self, now_s: float) -> Compared | None:
        """The quickest fresh comparison; the one in use stays while it agrees with it.

        Stamps would otherwise jitter with the network.
        """
        fresh = [each for each in self._recent if now_s - each.at_s <= CLOCK_AGE_S]
        if not fresh:
            self._used = None
            return None
        best = min(fresh, key=lambda each: each.u_ns)
        used = self._used
        if used is None or abs(best.ahead_ns - used.ahead_ns) > best.u_ns or best.u_ns < used.u_ns:
            self._used = best
        else:
            self._used = Compared(used.ahead_ns, used.u_ns, best.at_s)
        return self._used


class SharedProgram:
    """Reads what another host sends. It never writes anything but questions about the time."""

    is_sink = False

    def __init__(self, setup: InstrumentSetup, dialect: Dialect, clock: Clock) -> None:
        self.setup, self.dialect = setup, dialect
        self.host = HostTime(clock)
        self._wanted: dict[str, Channel] = dict(setup.inputs)
        self._check_options()
        self._other = OtherClock()
        self._asked: dict[int, int] = {}
        self._number = 0
        self._ask_at_s = -math.inf
        self._heard_at_s: dict[str, float] = {}
        self._changed: dict[str, str] = {}
        self._told: set[tuple[str, str]] = set()
        self._step_pending = False

    def settle(self) -> Exchange[None]:
        """What the wire kept for us is meant for us: nothing is thrown away."""
        self._asked.clear()
        self._ask_at_s = -math.inf
        yield from ()

    def identify(self) -> Exchange[Identity | None]:
        """The wire leads to one topic: there is nobody else who could answer."""
        yield from ()
        return None

    def configure(self) -> Exchange[None]:
        """Another session's channels are never configured."""
        yield from ()

    def read_settings(self) -> Exchange[list[Setting]]:
        """They come with every message."""
        yield from ()
        return []

    def begin(self) -> Exchange[None]:
        """From now on silence counts."""
        now_s = self._now_s()
        self._heard_at_s = dict.fromkeys(self._wanted, now_s)
        yield from ()

    def read_errors(self) -> Exchange[list[str]]:
        """None are known."""
        yield from ()
        return []

    def resync(self) -> Exchange[None]:
        """Every line stands for itself."""
        yield from ()

    def fetch(self) -> Exchange[Fetched]:
        """Take the lines that have come; LinkError where the other session is gone or silent."""
        fetched = Fetched()
        if self._now_s() >= self._ask_at_s:
            yield Send(self._question(), quiet=False)
        patience_s = max(0.05, min(self._ask_at_s, self._silent_at_s()) - self._now_s())
        try:
            chunk = yield ReadLines(b"\n", patience_s)
        except SilenceError:
            chunk = b""
        step_ns = self.host.stepped()
        if step_ns:
            fetched.clock_step_ns = step_ns
            self._other = OtherClock()  # compared with a clock that is no more
            self._asked.clear()
        for line in chunk.split(b"\n"):
            if line.strip():
                self._understand(line, fetched, Flag.CLOCK_STEP if step_ns else Flag(0))
        self._check_silence()
        return fetched

    # -------------------------------------------------------------------------------------

    def _now_s(self) -> float:
        return self.host.monotonic_ns() / NS_PER_S

    def _question(self) -> bytes:
        self._number += 1
        now_ns = self.host.now_ns()
        while len(self._asked) > _KEPT:
            del self._asked[next(iter(self._asked))]
        self._asked[self._number] = now_ns
        few = self._number <= _KEPT
        self._ask_at_s = self._now_s() + (ASK_AT_FIRST_S if few else ASK_EVERY_S)
        text = json.dumps({"kind": "ask", "number": self._number, "asked_ns": now_ns})
        return text.encode("ascii") + b"\n"

    def _silent_at_s(self) -> float:
        return min(
            (
                self._heard_at_s[name] + 2 * channel.gate_ns / NS_PER_S + self.setup.timeout_s
                for name, channel in self._wanted.items()
            ),
            default=math.inf,
        )

    def _check_silence(self) -> None:
        if self._now_s() < self._silent_at_s():
            return
        silent = min(self._heard_at_s, key=lambda name: self._heard_at_s[name])
        raise SilenceError(f"{self.setup.name}: no gates of {silent!r} come from the other host")

    def _understand(self, line: bytes, fetched: Fetched, common: Flag) -> None:
        message = _object(line)
        kind = message.get("kind")
        if kind == "gates":
            self._gates(message, fetched, common)
        elif kind == "alive":
            if message.get("alive") is not True:
                raise LinkError(f"{self.setup.name}: the other session has ended or died")
        elif kind == "answer":
            self._answer(message)
        elif kind == "change":
            self._change(message, fetched)

    def _answer(self, message: Mapping[str, Any]) -> None:
        asked_ns = self._asked.pop(_whole(message, "number"), None)
        if asked_ns is not None:
            heard_ns, said_ns = _whole(message, "heard_ns"), _whole(message, "said_ns")
            self._other.answered(asked_ns, heard_ns, said_ns, self.host.now_ns(), self._now_s())

    def _change(self, message: Mapping[str, Any], fetched: Fetched) -> None:
        number, channel = str(message.get("number", "")), str(message.get("channel", ""))
        phase = str(message.get("phase", ""))
        if channel not in self._wanted or not number:
            return
        accepted = self.setup.options.get("accepted_changes", [])
        if phase == "made" and number not in {str(each) for each in _list(accepted)}:
            self._changed[channel] = number
        if phase == "withdrawn" and self._changed.get(channel) == number:
            del self._changed[channel]
        if (number, phase) not in self._told and len(fetched.notes) < _MOST_NOTES:
            self._told.add((number, phase))
            said, by = message.get("text", ""), message.get("by", "")
            fetched.notes.append(f"change {number} of {channel} {phase} by {by}: {said}")

    def _gates(self, message: Mapping[str, Any], fetched: Fetched, common: Flag) -> None:
        name = str(message.get("channel", ""))
        channel = self._wanted.get(name)
        if channel is None:
            return
        found = _readings(message, channel)
        self._heard_at_s[name] = self._now_s()
        compared = self._other.known(self._now_s())
        limit_ns = float(str(self.setup.options.get("clock_u_s", 0.2))) * NS_PER_S
        flags = found.flags | np.uint32(int(common))
        ahead_ns = 0 if compared is None else compared.ahead_ns
        if compared is None or compared.u_ns > limit_ns:
            flags = flags | np.uint32(int(Flag.NOT_SYNCHRONOUS))
        if name in self._changed:
            flags = flags | np.uint32(int(Flag.SETTINGS))
        fetched.blocks.append(
            Readings(
                channel.name,
                found.start_ns - ahead_ns,
                found.stop_ns - ahead_ns,
                found.offset,
                flags,
                found.errors,
            )
        )

    def _check_options(self) -> None:
        unknown = set(self.setup.options) - set(self.dialect.options)
        where = f"instrument {self.setup.name!r}"
        if unknown:
            known = ", ".join(sorted(self.dialect.options))
            raise InputError(f"{where}: no option {sorted(unknown)[0]!r}; it has: {known}")
        if len(self._wanted) < len(self.setup.inputs):
            raise InputError(f"{where}: one channel of the other host feeds one channel here")
        try:
            fine = float(str(self.setup.options.get("clock_u_s", 0.2))) > 0
        except ValueError:
            fine = False
        if not fine:
            raise InputError(f"{where}: clock_u_s is a number of seconds above 0")
        accepted = self.setup.options.get("accepted_changes", [])
        if not isinstance(accepted, list | tuple):
            raise InputError(f"{where}: accepted_changes is a list of numbers of changes")


def _list(value: object) -> list[object]:
    return list(value) if isinstance(value, list | tuple) else []


def _object(line: bytes) -> Mapping[str, Any]:
    try:
        message = json.loads(line)
    except (ValueError, RecursionError):
        raise ReplyError(f"no JSON: {line[:80]!r}") from None
    if not isinstance(message, dict):
        raise ReplyError(f"no JSON object: {line[:80]!r}")
    return message


def _whole(message: Mapping[str, Any], key: str) -> int:
    value = message.get(key)
    if isinstance(value, bool) or not isinstance(value, int) or abs(value) >= 2**62:
        raise ReplyError(f"{key!r} is no whole number of ns")
    return value


def _readings(message: Mapping[str, Any], channel: Channel) -> Readings:
    """Gates of a message, offsets carried exactly to the channel's own nominal. ReplyError."""
    try:
        nominal = exact(str(message["nominal"]))
        shift = float(Fraction(nominal) - channel.nominal)
        start = [_ns(value) for value in message["start_ns"]]
        stop = [_ns(value) for value in message["stop_ns"]]
        offset = np.array([_real(value) for value in message["offset"]], np.float64)
        flags = np.array([_bits(value) for value in message["flags"]], np.uint32)
        stated = message.get("errors")
        errors = None if stated is None else [_real(value) for value in stated]
        found = block(channel.name, start, stop, offset + shift, flags, errors)
    except (KeyError, TypeError, ValueError, OverflowError, InputError) as error:
        raise ReplyError(f"gates of {channel.name!r} make no sense: {error}") from None
    rises = bool((np.diff(found.start_ns) > 0).all() and (found.stop_ns > found.start_ns).all())
    if not rises:
        raise ReplyError(f"gates of {channel.name!r} do not rise in time")
    lost = ~np.isfinite(found.offset)
    found.flags[lost] |= np.uint32(int(Flag.GAP))
    found.flags[:] |= np.uint32(int(Flag.WRITTEN))
    return found


def _ns(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < 2**62:
        raise ValueError(f"{value!r} is no time")
    return value


def _real(value: object) -> float:
    if value is None:
        return math.nan
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{value!r} is no number")
    return float(value)


def _bits(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 0 or value & ~_ALL_FLAGS:
        raise ValueError(f"{value!r} are no flags that this version knows")
    return value
