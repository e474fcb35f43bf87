"""Helpers of these tests: a lab on a virtual clock, talked to without any wire."""

from typing import Any

from sim_instruments.clock import VirtualClock
from sim_instruments.lab import Lab
from sim_instruments.port import Port
from sim_instruments.scenario import Scenario, load

START_NS = 1_700_000_000 * 10**9


class Bench:
    """A lab whose time moves only when asked, at most one second at a stretch."""

    def __init__(self, tables: Any, seconds: float = 60.0, seed: int = 1, faults: bool = True):
        scenario = load(tables) if isinstance(tables, str) else Scenario("test", tables)
        self.clock = VirtualClock(START_NS)
        self.lab = Lab(scenario, START_NS, seconds, seed, faults)
        self.ports: dict[str, Port] = {}

    @property
    def now_ns(self) -> int:
        return self.clock.now_ns()

    def advance(self, seconds: float) -> None:
        end = self.now_ns + round(seconds * 1e9)
        while self.now_ns < end:
            self.clock.advance_to(min(end, self.now_ns + 10**9))
            self.lab.tick(self.now_ns)

    def port(self, name: str) -> Port:
        if name not in self.ports:
            self.ports[name] = self.lab.instruments[name].open_port()
        return self.ports[name]

    def write(self, name: str, text: str | bytes) -> None:
        data = text if isinstance(text, bytes) else text.encode("latin-1")
        self.port(name).feed(data + b"\n", self.now_ns)

    def read(self, name: str, patience_s: float = 300.0) -> bytes:
        """The next message, waiting as long as the instrument wants to be waited for."""
        port, limit = self.port(name), self.now_ns + round(patience_s * 1e9)
        while True:
            wake = port.poll(self.now_ns)
            messages = port.take()
            if messages:
                return b"".join(messages)
            if wake is None or wake > limit:
                raise TimeoutError(f"{name} says nothing")
            self.advance((wake - self.now_ns) * 1e-9)

    def ask(self, name: str, text: str) -> str:
        self.write(name, text)
        return self.read(name).decode("latin-1").strip()


def reference_tables(**instruments: Any) -> dict[str, Any]:
    """A quiet world: one perfect reference, one comb, one laser on target, given instruments."""
    return {
        "reference": {"ref": {}},
        "comb": {
            "lock": "rf",
            "reference": "ref",
            "f_rep_hz": 250012960,
            "f_ceo_hz": 37250000,
            "residual_h2": 0,
        },
        "cavity": {"still": {}},
        "laser": {"L866": {"transition": "866", "hold": "still"}},
        "transition": {"866": {"laser": "L866", "line_hz": 346000235016000, "path": []}},
        "signal": {
            "beat": {"kind": "beat", "laser": "L866"},
            "f_ceo": {"kind": "f_ceo"},
            "f_rep_if": {
                "kind": "harmonic",
                "harmonic": 40,
                "lo_hz": 9980000000,
                "reference": "ref",
            },
        },
        "instrument": instruments,
    }


def counter_row(**more: Any) -> dict[str, Any]:
    return {
        "kind": "scpi_counter",
        "reference": "ref",
        "inputs": ["beat", "f_ceo", "f_rep_if"],
        **more,
    }


def only(faults: Any = (), **instruments: Any) -> Bench:
    """A quiet world with these instruments and faults."""
    tables = reference_tables(**instruments)
    tables["fault"] = list(faults)
    return Bench(tables)


def strike(kind: str, target: str, **more: Any) -> dict[str, Any]:
    """A fault from 10 to 20 s after the start."""
    return {"kind": kind, "target": target, "at_s": 10, "for_s": 10, **more}
