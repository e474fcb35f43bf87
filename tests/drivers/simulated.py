"""Simulated instruments as peers of our readers: in one process, on a virtual clock."""

from __future__ import annotations

import random
import tomllib
from dataclasses import fields
from fractions import Fraction
from importlib import resources

from labref.drivers.base import InstrumentSetup
from labref.drivers.instrument import Instrument
from labref.drivers.programs import program_of
from labref.model.channel import Channel
from labref.model.readings import Readings, join
from labref.model.times import NS_PER_S, VirtualClock
from labref.session.readers import InlineReader, InstrumentFault
from labref.transport.memory import MemoryWire
from labref.transport.reconnect import Backoff
from sim_instruments.faults import Fault, FaultList
from sim_instruments.lab import Lab
from sim_instruments.scenario import Scenario, load

START_NS = 1_790_000_000 * NS_PER_S
CUT = ("unplug", "power_cut", "hangup")
MORE = """
[instrument.scpi_wm]
kind = "scpi_wavemeter"
lasers = ["L729", "L866"]
accuracy_hz = 5e6
noise_hz = 1e6
[instrument.monitors]
kind = "scpi_voltmeter"
inputs = ["transmission:L729", "power:L729"]
"""

# name: (instrument of the scenario, dialect, gate in s, input -> (nominal, unit), options)
Inputs = dict[str, tuple[str, str]]
CASES: dict[str, tuple[str, str, str, Inputs, dict[str, object]]] = {
    "counter": (
        "counter", "scpi-counter", "1", {"1": ("20518400", "Hz"), "2": ("37250000", "Hz")}, {}),
    "gapless": (
        "counter", "scpi-counter-gapless", "0.1",
        {"1": ("20518400", "Hz"), "2": ("37250000", "Hz")}, {}),
    "stream": ("stream", "line-counter", "0.1", {"1": ("54028680.4", "Hz")}, {}),
    "synthesizer": ("synth", "scpi-synthesizer", "1", {"frequency.1": ("110000000", "Hz")}, {}),
    "wavemeter": ("wavemeter", "ascii-wavemeter", "0.5", {"1": ("411041898000000", "Hz")}, {}),
    "scpi wavemeter": ("scpi_wm", "scpi-wavemeter", "1", {"1": ("411041898000000", "Hz")}, {}),
    "voltmeter": ("monitors", "scpi-voltmeter", "1", {"1": ("0", "V")}, {}),
    "receiver": ("gnss", "nmea-receiver", "1", {"quality": ("1", ""), "valid": ("1", "")}, {}),
    "oscillator": ("gnss_status", "scpi-oscillator", "1", {"state": ("1", "")}, {}),
}  # fmt: skip


class LinePeer:
    """A `Peer` around a simulated line; cutting and refusing are the endpoint's business."""

    def __init__(self, lab: Lab, name: str, clock: VirtualClock) -> None:
        self._lab, self._name, self._clock = lab, name, clock
        self._number = 0
        self._opened_s = 0.0
        self._dead = False

    def _struck(self, *kinds: str) -> Fault | None:
        return self._lab.benches[self._name].fault(self._clock.now_ns(), *kinds)

    def connect(self) -> bool:
        if self._struck(*CUT) is not None:
            return False
        self._line = self._lab.line(self._name, self._number)
        self._number += 1
        self._dead = False
        self._reset_seen = self._struck("reset") is not None
        return True

    def hear(self, data: bytes) -> int:
        self._line.feed(data, self._clock.now_ns())
        return len(data)

    def say(self) -> bytes | None:
        reset = self._struck("reset") is not None and not self._reset_seen
        if self._dead or reset or self._struck(*CUT) is not None:
            self._dead = True
            return None
        now_ns = self._clock.now_ns()
        self._line.poll(now_ns)
        return self._line.take(now_ns)

    def due_s(self) -> float | None:
        """Never known ahead: whoever waits looks again."""
        return None


class OneFault(Scenario):
    """A scenario whose faults are given, in s after the start."""

    given: FaultList = FaultList()

    def faults(self, seconds: float, seed: int) -> FaultList:
        return self.given


def scenario(fault: Fault | None) -> Scenario:
    file = resources.files("sim_instruments").joinpath("scenarios", "comb_gnss.toml")
    tables = tomllib.loads(file.read_text("utf-8").split("[[fault]]")[0] + MORE)
    made = OneFault(**{**vars_of(load("comb_gnss")), "tables": tables})
    object.__setattr__(made, "given", FaultList([fault] if fault else []))
    return made


def vars_of(shipped: Scenario) -> dict[str, object]:
    return {field.name: getattr(shipped, field.name) for field in fields(shipped)}


class Run:
    """One reader against one simulated instrument, with at most one fault."""

    def __init__(
        self,
        case: str,
        fault: Fault | None = None,
        seed: int = 1,
        more: dict[str, object] | None = None,
    ) -> None:
        name, dialect, gate_s, inputs, options = CASES[case]
        options = {**options, **(more or {})}
        self.clock = VirtualClock(START_NS)
        self.lab = Lab(scenario(fault), START_NS, 60.0, seed)
        gate_ns = round(Fraction(gate_s) * NS_PER_S)
        channels = tuple(
            (key, Channel(key, Fraction(nominal), unit, gate_ns=gate_ns))
            for key, (nominal, unit) in inputs.items()
        )
        setup = InstrumentSetup(case, "memory", dialect, channels, options, 1.0)
        wire = MemoryWire(LinePeer(self.lab, name, self.clock), self.clock)
        instrument = Instrument(setup, program_of(setup, self.clock))
        backoff = Backoff(0.1, 1.0, random.Random(seed))
        self.reader = InlineReader(instrument, wire, self.clock, backoff=backoff)
        self.blocks: dict[str, list[Readings]] = {key: [] for key in inputs}
        self.faults: list[InstrumentFault] = []
        self._panel: list[tuple[float, list[str]]] = []
        if fault is not None and fault.kind == "front_panel":
            self._panel = [(fault.start_s, fault.options["send"]),
                           (fault.stop_s, fault.options["restore"])]  # fmt: skip
        self._name = name

    def _hands(self) -> None:
        """Somebody at the front panel, as `sim_instruments.serve` does it."""
        while self._panel and self._panel[0][0] <= self.clock.monotonic_s():
            port = self.lab.instruments[self._name].open_port()
            for line in self._panel.pop(0)[1]:
                port.feed(line.encode("ascii") + b"\n", self.clock.now_ns())

    def until(self, seconds: float) -> None:
        while self.clock.monotonic_s() < seconds:
            self._hands()
            self.lab.tick(self.clock.now_ns())
            for _ in range(4):  # a question and its answer within one look
                for block in self.reader.collect():
                    self.blocks[block.channel].append(block)
            self.faults += self.reader.faults()
            self.clock.wait(0.01)

    def readings(self) -> dict[str, Readings]:
        return {key: join(blocks) for key, blocks in self.blocks.items() if blocks}
