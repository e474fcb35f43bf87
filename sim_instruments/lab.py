"""A laboratory put together from a scenario: the world, its instruments, its endpoints."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from sim_instruments.faults import FaultList
from sim_instruments.instruments.bench import Bench
from sim_instruments.instruments.catalogue import KINDS
from sim_instruments.optics.grid import Grid
from sim_instruments.optics.quantity import decimal_hz
from sim_instruments.optics.world import World
from sim_instruments.port import Instrument
from sim_instruments.scenario import Scenario, ScenarioError
from sim_instruments.wire.endpoint import Endpoint, TcpEndpoint
from sim_instruments.wire.line import Line
from sim_instruments.wire.serial_line import PtyEndpoint


class Lab:
    """World and instruments of a scenario, without any wire.

    Args:
        start_ns: start of the run, ns UTC, made a whole second by the caller if gates are to
            begin on seconds.
        seconds: length to which the faults are scaled.
        with_faults: False empties the fault list.
    """

    def __init__(
        self,
        scenario: Scenario,
        start_ns: int,
        seconds: float,
        seed: int,
        with_faults: bool = True,
    ) -> None:
        self.scenario = scenario
        self.seed = seed
        self.seconds = seconds
        self.faults = scenario.faults(seconds, seed) if with_faults else FaultList()
        step_ns = round(float(scenario.tables.get("step_ms", 10)) * 1e6)
        self.grid = Grid(start_ns, step_ns)
        self.benches: dict[str, Bench] = {}
        self.instruments: dict[str, Instrument] = {}
        try:
            self.world = World(scenario.tables, self.grid, self.faults, seed)
            for name, row in scenario.tables.get("instrument", {}).items():
                self._place(name, row)
        except KeyError as error:
            what = f"{error} is missing, or nothing is called so"
            raise ScenarioError(f"{scenario.name}: {what}") from error
        except ScenarioError:
            raise
        except ValueError as error:
            raise ScenarioError(f"{scenario.name}: {error}") from error
        self._check_targets()

    def _place(self, name: str, row: dict[str, Any]) -> None:
        kind = row.get("kind")
        if kind not in KINDS:
            known = ", ".join(sorted(KINDS))
            where = f"{self.scenario.name}: instrument.{name}"
            raise ScenarioError(f"{where}: unknown kind {kind!r}; known are: {known}")
        self.benches[name] = Bench(name, row, self.world)
        self.instruments[name] = KINDS[kind](self.benches[name])

    def _check_targets(self) -> None:
        known = {*self.instruments, *self.world.lasers, *self.world.references}
        for fault in self.faults:
            if fault.target not in known:
                where = f"{self.scenario.name}: fault {fault.kind}"
                raise ScenarioError(f"{where}: nothing is called {fault.target!r}")

    def line(self, name: str, number: int = 0) -> Line:
        """A fresh connection to an instrument."""
        bench = self.benches[name]
        baud = bench.row.get("baud")
        rate = None if baud is None else float(baud) / 10.0
        port = self.instruments[name].open_port()
        return Line(port, bench, rate, bench.rng("wire", number))

    def endpoint(self, name: str, links: Path | None = None) -> Endpoint:
        """Where the instrument can be reached, as its ``link`` says (tcp or serial).

        ``links`` is a folder for lasting links to serial devices.
        """
        make: Callable[[], Line] = lambda: self.line(name)  # noqa: E731
        if self.benches[name].row.get("link", "tcp") == "serial":
            return PtyEndpoint(make, links / name if links is not None else None)
        return TcpEndpoint(make)

    def tick(self, now_ns: int) -> None:
        """Once-a-second chores: what instruments do although nobody asks."""
        for instrument in self.instruments.values():
            chore = getattr(instrument, "tick", None) or getattr(instrument, "update", None)
            if chore is not None:
                chore(now_ns)

    def nominals(self) -> dict[str, object]:
        """What the people of this laboratory know: nominal frequencies, not the truth."""
        comb = self.world.comb
        known: dict[str, object] = {}
        if comb is not None:
            known["comb"] = {
                "f_rep_hz": decimal_hz(comb.f_rep.nominal, 0.0),
                "f_ceo_hz": decimal_hz(comb.f_ceo.nominal, 0.0),
            }
        known["signals_hz"] = {
            name: decimal_hz(signal.nominal, 0.0) for name, signal in self.world.signals.items()
        }
        known["outputs_hz"] = {
            name: decimal_hz(output.nominal, 0.0) for name, output in self.world.outputs.items()
        }
        return known

    def lab_numbers(self) -> dict[str, object]:
        """Everything a lab file needs, mode numbers and signs included (not for clients)."""
        beats = {
            name: {
                "mode": beat.mode,
                "sign": beat.sign,
                "nominal_hz": decimal_hz(beat.nominal, 0.0),
            }
            for name in self.world.signals
            if (beat := self.world.beat(name)) is not None
        }
        transitions = {
            name: {
                "line_hz": decimal_hz(row.line, 0.0),
                "target_hz": decimal_hz(row.target, 0.0),
                "tap_hz": decimal_hz(row.laser.nominal, 0.0),
                "laser": row.laser.name,
            }
            for name, row in self.world.transitions.items()
        }
        return {**self.nominals(), "beats": beats, "transitions": transitions}
