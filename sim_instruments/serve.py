"""Brings a lab onto the wire: endpoints, the timetable of wire faults, power cuts."""

from datetime import UTC, datetime
from pathlib import Path

from sim_instruments.clock import Clock
from sim_instruments.faults import Fault
from sim_instruments.knobs import Knobs
from sim_instruments.lab import Lab
from sim_instruments.scenario import ScenarioError
from sim_instruments.truth import TruthFile
from sim_instruments.wire.endpoint import Endpoint
from sim_instruments.wire.hub import Hub

TICK_NS = 1_000_000_000


class Server:
    """A lab on loopback.

    Args:
        links: folder for lasting links to serial devices; needed for ``hangup`` faults.
    """

    def __init__(
        self,
        lab: Lab,
        clock: Clock,
        truth: TruthFile | None = None,
        links: Path | None = None,
    ) -> None:
        self.lab = lab
        self._clock = clock
        self.hub = Hub(clock)
        self._truth = truth
        self._endpoints: dict[str, Endpoint] = {}
        for fault in lab.faults:
            if fault.kind == "hangup" and links is None:
                where = f"{lab.scenario.name}: fault hangup of {fault.target}"
                raise ScenarioError(f"{where}: needs --links, since the device file changes")
        for name in lab.instruments:
            self._endpoints[name] = lab.endpoint(name, links)
            self.hub.add(self._endpoints[name])
        for fault in lab.faults:
            self._plan(fault)
        self._knobs = Knobs(lab, self._endpoints)
        self.hub.at(lab.grid.start_ns + TICK_NS, self._tick)

    def turn(self, line: str) -> str:
        """Turn a knob; the answer is one line."""
        said = self._knobs.turn(line, self._clock.now_ns())
        self.hub.refresh()
        return said

    def announcement(self) -> dict[str, object]:
        """The one line printed at the start; JSON types only."""
        lab = self.lab
        start = datetime.fromtimestamp(lab.grid.start_ns // 10**9, UTC)
        instruments = {
            name: {
                "address": self._endpoints[name].address,
                "kind": instrument.kind,
                "baud": lab.benches[name].row.get("baud"),
                "identity": getattr(instrument, "identity", None),
                **instrument.describe(),
            }
            for name, instrument in lab.instruments.items()
        }
        return {
            "scenario": lab.scenario.name,
            "title": lab.scenario.tables.get("title", ""),
            "seed": lab.seed,
            "seconds": lab.seconds,
            "start": f"{start:%Y-%m-%dT%H:%M:%SZ}",
            "start_ns": lab.grid.start_ns,
            "instruments": instruments,
            "nominal": lab.nominals(),
        }

    def _tick(self, now_ns: int) -> None:
        self.lab.tick(now_ns)
        if self._truth is not None:
            self._truth.write_until(now_ns)
        self.hub.at((now_ns // TICK_NS + 1) * TICK_NS, self._tick)

    def _plan(self, fault: Fault) -> None:
        start = self.lab.grid.start_ns
        begin, end = start + round(fault.start_s * 1e9), start + round(fault.stop_s * 1e9)
        endpoint = self._endpoints.get(fault.target)
        if endpoint is None:
            return
        if fault.kind in ("unplug", "power_cut"):
            self.hub.at(begin, lambda _: endpoint.unplug())
            if fault.kind == "power_cut":
                self.hub.at(end, self.lab.instruments[fault.target].factory_reset)
            self.hub.at(end, lambda _: endpoint.plug())
        elif fault.kind == "hangup":
            self.hub.at(begin, lambda _: endpoint.hang_up())
            self.hub.at(end, lambda _: endpoint.plug())
        elif fault.kind == "reset":
            self.hub.at(begin, lambda _: endpoint.drop(reset=True))
        elif fault.kind == "front_panel":
            self.hub.at(begin, lambda now_ns: self._type(fault, "send", now_ns))
            self.hub.at(end, lambda now_ns: self._type(fault, "restore", now_ns))

    def _type(self, fault: Fault, key: str, now_ns: int) -> None:
        port = self.lab.instruments[fault.target].open_port()
        for line in fault.options.get(key, ()):
            port.feed(str(line).encode("ascii") + b"\n", now_ns)
