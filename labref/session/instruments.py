"""The lab file's instruments as readers, and what they say when somebody knocks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from labref.config.lab import Lab
from labref.drivers.base import InstrumentSetup
from labref.drivers.catalogue import Catalogue
from labref.drivers.instrument import Instrument
from labref.drivers.programs import program_of
from labref.model.channel import Channel
from labref.model.errors import InputError, LinkError, RefusedError, ReplyError
from labref.model.times import Clock
from labref.plugins import Plugins
from labref.session.readers import make_reader
from labref.session.sources import Reader
from labref.transport.blocking import Transport
from labref.transport.loop import SelectorLoop
from labref.transport.wires import Wires


def setups(lab: Lab) -> list[InstrumentSetup]:
    """Return every instrument of the lab file with the channels it feeds, by name."""
    fed: dict[str, list[tuple[str, Channel]]] = {name: [] for name in lab.instruments}
    for channel, (instrument, input_name) in lab.feeds.items():
        fed[instrument].append((str(input_name), lab.channels[channel]))
    return [
        InstrumentSetup(
            name,
            table.address,
            table.dialect,
            tuple(fed[name]),
            table.options,
            float(table.timeout_s),
        )
        for name, table in lab.instruments.items()
    ]


def make_readers(
    lab: Lab, plugins: Plugins, clock: Clock, wake: Callable[[], None]
) -> list[Reader]:
    """Return one reader for every instrument that feeds a channel, not started.

    Raises InputError naming the instrument, for an address, dialect or input that nobody knows.
    """
    wires, catalogue, loop = _wires(plugins), catalogue_of(lab, plugins), SelectorLoop(clock)
    readers: list[Reader] = []
    for setup in setups(lab):
        if setup.inputs:
            reader = make_reader(setup, clock, wires, catalogue=catalogue, loop=loop, wake=wake)
            readers.append(reader)
    return readers


@dataclass(frozen=True, slots=True)
class Knock:
    """What one instrument said: ``identity``, settings that differ, old errors, or a problem."""

    name: str
    address: str
    identity: str = ""
    settings: tuple[str, ...] = ()
    wrong: tuple[str, ...] = ()
    errors: tuple[str, ...] = field(default=())
    problem: str = ""

    @property
    def is_well(self) -> bool:
        """Whether it answered, and runs as the lab file says."""
        return not self.problem and not self.wrong


def knock(setup: InstrumentSetup, lab: Lab, plugins: Plugins, clock: Clock) -> Knock:
    """Connect, identify, read settings back, disconnect. Configures sinks as a run would."""
    try:
        wire = _wires(plugins).make(setup.address, setup.options, setup.timeout_s)
        program = program_of(setup, clock, catalogue_of(lab, plugins))
        instrument = Instrument(setup, program, Transport(wire, clock, setup.timeout_s))
    except InputError as error:
        return Knock(setup.name, setup.address, problem=str(error))
    try:
        opening = instrument.open()
    except (LinkError, ReplyError, RefusedError) as error:
        text = str(error).removeprefix(f"{setup.address}: ")
        return Knock(setup.name, setup.address, problem=text)
    finally:
        instrument.close()
    return Knock(
        setup.name,
        setup.address,
        opening.identity.text if opening.identity else "does not say who it is",
        tuple(setting.text for setting in opening.settings),
        tuple(setting.text for setting in opening.wrong),
        opening.errors,
    )


def _wires(plugins: Plugins) -> Wires:
    extra: dict[str, Any] = {}
    for _, transports in plugins.ask("register_transports"):
        extra.update(transports)
    return Wires(extra)


def catalogue_of(lab: Lab, plugins: Plugins) -> Catalogue:
    """Every dialect that the lab file can name: shipped, its own, plugins'."""
    extra: dict[str, Any] = {}
    for _, dialects in plugins.ask("register_dialects"):
        extra.update(dialects)
    return Catalogue(tables=lab.dialects, extra=extra)


def knock_all(lab: Lab, plugins: Plugins, clock: Clock) -> Sequence[Knock]:
    """Knock at every instrument of the lab file, one after the other."""
    return [knock(setup, lab, plugins, clock) for setup in setups(lab)]
