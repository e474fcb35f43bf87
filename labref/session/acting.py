"""Between the pass and the actuators: outputs of instruments as ports, what is told and stored.

An output's writes travel as requests on its instrument's own reader, so that a set-point never
interleaves with a reading. The pass hands readings over and takes announcements back; it never
waits for a wire.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any, Protocol, runtime_checkable

from labref.actuation.base import Actuator, ForeignWriteError, Port
from labref.actuation.desk import Desk
from labref.actuation.guards import LabFileWatch, lab_file_path
from labref.actuation.hand import Hand, OutputSpec, spec_of
from labref.actuation.levels import Level
from labref.actuation.policy import Arms
from labref.actuation.record import Record
from labref.actuation.rehearsal import LogPort
from labref.actuation.runner import Runner
from labref.actuation.tables import ActuationTable, OutputTable
from labref.config.lab import Lab
from labref.drivers.base import InstrumentSetup
from labref.drivers.dialect import Dialect
from labref.drivers.instrument import Instrument
from labref.drivers.requests import Request, Requests
from labref.drivers.setters import Output
from labref.model.errors import InputError, LinkError
from labref.model.times import Clock, RealClock
from labref.plugins import Plugins
from labref.transport.steps import Exchange

HOUR_S = 3600.0


@runtime_checkable
class HasInstrument(Protocol):
    """A source around an instrument on whose wire one may ask for something."""

    instrument: Instrument


class Asked:
    """A write that was asked for; never begun once it is cancelled."""

    def __init__(self) -> None:
        self.cancelled = False
        self._request: Request[Fraction] | None = None

    def made(self, request: Request[Fraction]) -> None:
        """Take the promise."""
        self._request = request

    @property
    def done(self) -> bool:
        """Whether it was carried out or has failed."""
        return self._request is not None and self._request.done

    def value(self) -> Fraction:
        """What the output became; raises what it ended with."""
        assert self._request is not None
        return self._request.result(0.0)

    def cancel(self) -> None:
        """Never begin it."""
        self.cancelled = True


class DriverPort:
    """One output of an instrument that a reader reads."""

    def __init__(self, output: Output, off: Output | None, requests: Requests) -> None:
        self._output, self._off, self._requests = output, off, requests

    def move(self, to: Fraction, expected: Fraction, agree: Fraction) -> Asked:
        """Read back, refuse a foreign value, write, read back."""
        asked = Asked()

        def exchange() -> Exchange[Fraction]:
            _not_cancelled(asked, self._output)
            present = yield from self._output.read()
            if abs(present - expected) > agree:
                raise ForeignWriteError(
                    f"stands at {float(present)!r}, not at {float(expected)!r} as it was left: "
                    "somebody else moved it"
                )
            _not_cancelled(asked, self._output)
            return (yield from _set(self._output, to))

        asked.made(self._requests.ask(exchange))
        return asked

    def off(self) -> Asked:
        """Switch off by its setter."""
        asked = Asked()

        def exchange() -> Exchange[Fraction]:
            _not_cancelled(asked, self._output)
            if self._off is None:
                raise LinkError(f"{self._output.name} cannot be switched off")
            return (yield from _set(self._off, Fraction(0)))

        asked.made(self._requests.ask(exchange))
        return asked


def _not_cancelled(asked: Asked, output: Output) -> None:
    if asked.cancelled:
        raise LinkError(f"{output.name}: given up before it began")


def _set(output: Output, value: Fraction) -> Exchange[Fraction]:
    """Enabled for this one write."""
    output.enable()
    try:
        result = yield from output.set(value)
    finally:
        output.disable()
    return Fraction(result.became)


def driver_port(name: str, table: OutputTable, instrument: Instrument) -> DriverPort:
    """The port of ``[outputs.NAME]``. InputError where its instrument cannot be written."""
    dialect = getattr(instrument.program, "dialect", None)
    if not isinstance(dialect, Dialect):
        raise InputError(f"outputs.{name}: instrument {table.instrument!r} is never written to")
    setters: dict[str, dict[str, object]] = {
        table.output: {
            "low": table.harmless[0],
            "high": table.harmless[1],
            "largest_step": table.largest_step,
            "reason": table.reason,
        }
    }
    if table.off is not None:
        # Only ever given 0; the driver wants a range.
        setters[table.off] = {"low": -1, "high": 0, "reason": f"switches {name} off"}
    setup: InstrumentSetup = replace(
        instrument.setup, options={**instrument.setup.options, "setters": setters}
    )
    output = Output(setup, dialect, table.output)
    if output.setter.output_class == "b" and not table.reason.strip():
        raise InputError(f"outputs.{name}: {table.output!r} is class b: it needs a reason")
    off = None if table.off is None else Output(setup, dialect, table.off)
    return DriverPort(output, off, instrument.requests)


def ports_of(lab: Lab, sources: Sequence[object]) -> dict[str, Port]:
    """Ports of every output whose instrument a source reads."""
    instruments = {
        source.instrument.setup.name: source.instrument
        for source in sources
        if isinstance(source, HasInstrument)
    }
    tables: Mapping[str, OutputTable] = lab.tables.get("outputs", {})
    return {
        name: driver_port(name, table, instruments[table.instrument])
        for name, table in tables.items()
        if table.instrument in instruments
    }


def actuators_of(lab: Lab, plugins: Plugins, ports: Mapping[str, object]) -> list[Actuator]:
    """The lab's actuators whose outputs can be reached: none for a recorded log.

    Raises InputError where a plugin gives something else, or an output is not in the lab file.
    """
    tables: Mapping[str, OutputTable] = lab.tables.get("outputs", {})
    found: list[Actuator] = []
    for plugin, answers in plugins.ask("register_actuators", lab=lab):
        for actuator in answers:
            if not isinstance(actuator, Actuator):
                raise InputError(f"plugin {plugin!r}: {actuator!r} is not an actuator")
            missing = [output for output in actuator.outputs if output not in tables]
            if missing:
                raise InputError(
                    f"actuator {actuator.name!r}: there is no [outputs.{missing[0]}] in {lab.file}"
                )
            if all(output in ports for output in actuator.outputs):
                found.append(actuator)
    return found


def runner_of(
    lab: Lab,
    actuators: Sequence[Actuator],
    ports: Mapping[str, Port],
    plugins: Plugins,
    clock: Clock,
    *,
    rehearse: bool,
) -> Runner | None:
    """The runner of a session, everything disarmed; None where there is nothing to run.

    With ``rehearse`` every port is replaced by a log (S7).
    """
    if not actuators:
        return None
    outputs: Mapping[str, OutputTable] = lab.tables.get("outputs", {})
    specs: dict[str, OutputSpec] = {
        name: spec_of(name, outputs[name], lab.channels) for name in ports if name in outputs
    }
    hands = {
        name: Hand(spec, LogPort(name) if rehearse else ports[name], rehearse)
        for name, spec in specs.items()
    }
    interlocks = {
        name: Level(name, table) for name, table in lab.tables.get("interlocks", {}).items()
    }
    table: ActuationTable = lab.tables.get("actuation") or ActuationTable()
    path = lab_file_path(lab.file)
    record = Record(None if rehearse else _record_path(table, path))
    if isinstance(clock, RealClock) and not rehearse:
        record.start_syncing()

    def desk(known: Mapping[str, Actuator]) -> Desk:
        return Desk(
            known,
            hands,
            Arms(float(table.expires_h) * HOUR_S, table.remote_arming),
            record,
            LabFileWatch(path, lab.text, float(table.lab_file_every_s)),
            clock,
            has_interlocks=bool(interlocks),
            rehearsal=rehearse,
        )

    def allows(attempt: Any) -> tuple[bool, str]:
        return plugins.allows(attempt=attempt)

    return Runner(actuators, hands, interlocks, desk, record, allows, clock)


def _record_path(table: ActuationTable, lab_file: Path | None) -> Path | None:
    if table.record is not None:
        folder = lab_file.parent if lab_file is not None else Path.cwd()
        return folder / table.record
    return None if lab_file is None else lab_file.with_name(lab_file.name + ".actuation")
