"""A GNSS receiver that sends NMEA 0183: one reading per epoch of what its sentences say.

Inputs: ``quality`` (GGA: 0 no fix), ``satellites``, ``hdop``, ``valid`` (RMC: 1 valid, 0 not),
``mode`` (GSA: 1 no fix, 2, 3), ``utc_offset_s`` (the receiver's UTC minus this host's at
arrival, seconds, late by the serial line), ``sentences_bad`` (refused in this epoch).

Such a receiver says where it is, not whether its 10 MHz is locked: GGA alone never makes a
reference good (M22).
"""

from __future__ import annotations

from labref.drivers.base import Fetched, InstrumentSetup, Row
from labref.drivers.dialect import Dialect
from labref.drivers.nmea import Fix, parse_fix, parse_sentence
from labref.drivers.program import BaseProgram
from labref.model.channel import Channel
from labref.model.errors import InputError, ReplyError
from labref.model.flags import Flag
from labref.model.times import NS_PER_DAY, NS_PER_S, Clock
from labref.transport.steps import Exchange, ReadLine, SilenceError

INPUTS = ("quality", "satellites", "hdop", "valid", "mode", "utc_offset_s", "sentences_bad")

_WRITTEN = int(Flag.WRITTEN)
_GAP = int(Flag.WRITTEN | Flag.GAP)
_MOST_BAD = 100


class GnssProgram(BaseProgram):
    """Collects sentences until the next epoch begins."""

    def __init__(self, setup: InstrumentSetup, dialect: Dialect, clock: Clock) -> None:
        super().__init__(setup, dialect, clock)
        for name, _ in setup.inputs:
            if name not in INPUTS:
                raise InputError(
                    f"instrument {setup.name!r}: no input {name!r}; it has: {', '.join(INPUTS)}"
                )
        self._time_of_day_ns: int | None = None
        self._said: dict[str, float] = {}
        self._bad = 0

    def settle(self) -> Exchange[None]:
        """Sentences carry their own ends."""
        yield from ()

    def resync(self) -> Exchange[None]:
        """Sentences carry their own ends: the next one is in step."""
        yield from ()

    def begin(self) -> Exchange[None]:
        """Forget the epoch that was interrupted."""
        self._time_of_day_ns, self._said, self._bad = None, {}, 0
        yield from ()

    def fetch(self) -> Exchange[Fetched]:
        """Read one sentence; return an epoch's readings when the next one begins, or pauses.

        After the first sentence of an epoch the rest follows without a break; a break of a
        quarter of the period ends the epoch, so that its readings come without waiting for
        the next.
        """
        waiting_s = self.gate_s / 4 if self._said else self.gate_s + self.setup.timeout_s
        try:
            line = yield ReadLine(b"\n", waiting_s)
        except SilenceError:
            if self._said:
                return self._epoch()
            raise
        fetched = Fetched()
        try:
            fix = parse_fix(parse_sentence(line))
        except ReplyError as error:
            self._bad += 1
            if self._bad > _MOST_BAD:
                raise
            fetched.notes.append(str(error))
            return fetched
        if fix is not None:
            if self._begins_epoch(fix) and self._said:
                fetched = self._epoch()
            self._note(fix)
        return fetched

    def _begins_epoch(self, fix: Fix) -> bool:
        moment = fix.time_of_day_ns if fix.utc_ns is None else fix.utc_ns % NS_PER_DAY
        if moment is None:
            return False
        begins = self._time_of_day_ns is not None and moment != self._time_of_day_ns
        self._time_of_day_ns = moment
        return begins

    def _note(self, fix: Fix) -> None:
        said = {
            "quality": fix.quality,
            "satellites": fix.satellites,
            "hdop": fix.hdop,
            "valid": None if fix.valid is None else int(fix.valid),
            "mode": fix.mode,
        }
        self._said.update({name: float(value) for name, value in said.items() if value is not None})
        if fix.utc_ns is not None and "utc_offset_s" not in self._said:
            self._said["utc_offset_s"] = (fix.utc_ns - self.clock.now_ns()) / NS_PER_S

    def _epoch(self) -> Fetched:
        said, self._said = self._said, {}
        said["sentences_bad"], self._bad = float(self._bad), 0
        step_ns = self.host.stepped()
        flags = int(Flag.CLOCK_STEP) if step_ns else 0
        now_ns = self.host.now_ns()
        rows = []
        for index, (name, channel) in enumerate(self.setup.inputs):
            value = said.get(name)
            own = _GAP if value is None else _WRITTEN
            offset = float("nan") if value is None else _offset(value, channel)
            rows.append(Row(index, now_ns - channel.gate_ns, now_ns, offset, own | flags))
        return Fetched(rows, clock_step_ns=step_ns)


def _offset(value: float, channel: Channel) -> float:
    return float(type(channel.nominal)(value) - channel.nominal)
