r"""Transcripts of live exchanges, complete with what they should give: a test in one file.

Lines that begin with ``#:`` are TOML: ``dialect``, ``options``, ``gate_s``, ``rounds``,
``inputs`` (name -> exact nominal as text, or a table with ``nominal`` and ``unit``) and
``expect`` (name -> offsets, one per gate; "gap" where there is none). The rest is the exchange
in the form of `labref.transport.transcript`.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction

from labref.drivers.base import InstrumentSetup
from labref.drivers.catalogue import Catalogue
from labref.drivers.instrument import Instrument, Opening
from labref.drivers.programs import program_of
from labref.model.channel import Channel
from labref.model.errors import InputError
from labref.model.exact import exact, exact_text
from labref.model.readings import Readings
from labref.model.times import NS_PER_S, Clock, VirtualClock
from labref.transport.base import Wire
from labref.transport.blocking import Transport
from labref.transport.recorder import RecordingWire
from labref.transport.transcript import TranscriptWire, parse_transcript

_HEADER = "#: "

# Rounds that bring nothing (a sentence of an epoch, an exposure seen before) do not count.
_MOST_ROUNDS = 50


@dataclass(frozen=True, slots=True)
class Case:
    """The head of a transcript."""

    setup: InstrumentSetup
    rounds: int
    expect: Mapping[str, list[float | None]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What an exchange gave: the opening, and all readings by input name."""

    opening: Opening
    readings: Mapping[str, list[Readings]]

    def offsets(self) -> dict[str, list[float | None]]:
        """Offsets by input, None where a gate cannot be used."""
        return {
            name: [
                float(offset) if usable else None
                for block in blocks
                for offset, usable in zip(block.offset, block.usable, strict=True)
            ]
            for name, blocks in self.readings.items()
        }


def capture(
    setup: InstrumentSetup,
    wire: Wire,
    clock: Clock,
    rounds: int,
    catalogue: Catalogue | None = None,
) -> tuple[str, Outcome]:
    """Open the instrument, fetch ``rounds`` rounds; return the transcript and the outcome.

    A sink is configured as a session would configure it; a source is only read. Raises
    LinkError, ReplyError or RefusedError.
    """
    recording = RecordingWire(wire, clock)
    try:
        outcome = _exchange(setup, recording, clock, rounds, catalogue)
    finally:
        recording.close()
    return _head(setup, rounds, outcome) + recording.text(), outcome


def replay(text: str, catalogue: Catalogue | None = None) -> tuple[Case, Outcome, bool]:
    """Play a transcript; return its head, what it gave, and whether all of it was used.

    Raises InputError for a file that is no transcript, LinkError where we now say something
    else than was recorded.
    """
    case = parse_case(text)
    clock = VirtualClock(1_790_000_000 * NS_PER_S)
    wire = TranscriptWire(parse_transcript(text), clock)
    outcome = _exchange(case.setup, wire, clock, case.rounds, catalogue)
    return case, outcome, wire.done


def parse_case(text: str) -> Case:
    """Read the head of a transcript. Raises InputError."""
    head = "\n".join(line[len(_HEADER) :] for line in text.splitlines() if line.startswith(_HEADER))
    try:
        table = tomllib.loads(head, parse_float=Decimal)
        inputs = tuple(_channel(k, v, table.get("gate_s", 1)) for k, v in table["inputs"].items())
        setup = InstrumentSetup(
            "instrument", "transcript", table["dialect"], inputs, table.get("options", {})
        )
        expect = {
            name: [None if value == "gap" else float(value) for value in values]
            for name, values in table.get("expect", {}).items()
        }
        return Case(setup, int(table.get("rounds", 1)), expect)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise InputError(f"transcript head: {type(error).__name__} {error}") from None


def _channel(name: str, value: object, gate_s: Decimal | int) -> tuple[str, Channel]:
    table = value if isinstance(value, dict) else {"nominal": value}
    gate_ns = round(Fraction(gate_s) * NS_PER_S)
    nominal = exact(str(table["nominal"]))
    return name, Channel(name, nominal, str(table.get("unit", "Hz")), gate_ns=gate_ns)


def _exchange(
    setup: InstrumentSetup, wire: Wire, clock: Clock, rounds: int, catalogue: Catalogue | None
) -> Outcome:
    transport = Transport(wire, clock, setup.timeout_s)
    instrument = Instrument(setup, program_of(setup, clock, catalogue), transport)
    opening = instrument.open()
    names = {channel.name: name for name, channel in setup.inputs}
    readings: dict[str, list[Readings]] = {name: [] for name, _ in setup.inputs}
    brought = 0
    for _ in range(_MOST_ROUNDS * rounds):
        blocks = instrument.fetch()
        for block in blocks:
            readings[names[block.channel]].append(block)
        brought += bool(blocks)
        if brought == rounds:
            break
    return Outcome(opening, readings)


def _head(setup: InstrumentSetup, rounds: int, outcome: Outcome) -> str:
    lines = [f"dialect = {_toml(setup.dialect)}", f"rounds = {rounds}"]
    lines.append(f"gate_s = {exact_text(Fraction(setup.period_ns, NS_PER_S))}")
    if setup.options:
        lines += ["[options]", *(f"{_key(k)} = {_toml(v)}" for k, v in setup.options.items())]
    lines.append("[inputs]")
    for name, channel in setup.inputs:
        nominal, unit = _toml(exact_text(channel.nominal)), _toml(channel.unit)
        lines.append(f"{_key(name)} = {{ nominal = {nominal}, unit = {unit} }}")
    lines.append("[expect]")
    for name, offsets in outcome.offsets().items():
        values = ", ".join('"gap"' if value is None else repr(value) for value in offsets)
        lines.append(f"{_key(name)} = [{values}]")
    return "".join(f"{_HEADER}{line}\n" for line in lines)


def _key(name: str) -> str:
    return _toml(name)


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float | Decimal):
        return str(value)
    text = str(value).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{text}"'
