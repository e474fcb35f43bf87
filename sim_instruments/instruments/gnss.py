"""A GNSS-disciplined oscillator: NMEA 0183 on a serial port, and its SCPI status.

The sentences of a second begin 60 ms after it. They tell position and time only: whether
the 10 MHz follows the satellites is a matter of the SCPI status (locked, holdover,
recovering).
"""

from sim_instruments.instruments.bench import Bench
from sim_instruments.instruments.nmea import epoch
from sim_instruments.optics.references import FREE, HOLDOVER, LOCKED, RECOVERING, Reference
from sim_instruments.port import LinePort
from sim_instruments.scpi.device import ScpiDevice
from sim_instruments.scpi.tree import Call, Command, Reply

DELAY_NS = 60_000_000
SECOND_NS = 10**9
QUESTIONABLE_TIME = 1 << 3


class NmeaReceiver:
    """Talks once a second; listens to nothing."""

    kind = "nmea"

    def __init__(self, bench: Bench) -> None:
        self.name = bench.name
        self._bench = bench
        self._reference = str(bench.row["reference"])
        self._place = (
            bench.number("latitude", 0.0),
            bench.number("longitude", 0.0),
            bench.number("height_m", 0.0),
        )

    def open_port(self) -> "NmeaPort":
        """A listener."""
        return NmeaPort(self)

    def factory_reset(self, now_ns: int) -> None:
        """A receiver has nothing to forget."""

    def sentences(self, second_ns: int) -> list[bytes]:
        """The sentences of the second that began at ``second_ns``."""
        told_ns = second_ns
        step = self._bench.fault(second_ns, "clock_step")
        if step is not None:
            told_ns += round(step.amount) * SECOND_NS
        return epoch(told_ns, *self._place, satellites(self._bench, self._reference, second_ns))

    def describe(self) -> dict[str, object]:
        """Sentences sent."""
        return {"sentences": ["GGA", "GSA", "RMC", "ZDA"]}


def satellites(bench: Bench, reference: str, now_ns: int) -> int:
    """Satellites used: none without fix or in holdover, else 8 to 11."""
    held = bench.world.references[reference].state(bench.elapsed_s(now_ns)) in (HOLDOVER, FREE)
    if held or bench.fault(now_ns, "no_fix") is not None:
        return 0
    return 8 + (now_ns // (97 * SECOND_NS)) % 4


class NmeaPort(LinePort):
    """One listener: starts with the next whole second."""

    def __init__(self, receiver: NmeaReceiver) -> None:
        super().__init__()
        self._receiver = receiver
        self._next_ns: int | None = None

    def feed(self, data: bytes, now_ns: int) -> None:
        """Ignore what is said to it."""
        self.lines(data)
        self.poll(now_ns)

    def poll(self, now_ns: int) -> int | None:
        """Send the sentences of each second that has begun (of the last, after a pause)."""
        if self._next_ns is None:
            self._next_ns = (now_ns // SECOND_NS + 1) * SECOND_NS + DELAY_NS
        if now_ns >= self._next_ns:
            second = (now_ns - DELAY_NS) // SECOND_NS * SECOND_NS
            for line in self._receiver.sentences(second):
                self.send(line)
            self._next_ns = second + SECOND_NS + DELAY_NS
        return self._next_ns


class DisciplinedOscillator(ScpiDevice):
    """SCPI status of the oscillator: state, time error against the satellites, steering."""

    kind = "scpi_gnss"

    def __init__(self, bench: Bench) -> None:
        self.name = bench.name
        self._bench = bench
        self._reference_name = str(bench.row["reference"])
        self._reference: Reference = bench.world.references[self._reference_name]
        sync = "SYNChronization"
        super().__init__(
            bench.identity("DISCIPLINED OSCILLATOR"),
            [
                Command(f"{sync}:STATe", query=self._state),
                Command(f"{sync}:LOCKed", query=self._locked),
                Command(f"{sync}:TINTerval", query=self._interval),
                Command(f"{sync}:FEEStimate", query=self._estimate),
                Command("GPS:SATellite:TRACking:COUNt", query=self._count),
            ],
        )

    def _now(self, call: Call) -> str:
        return self._reference.state(self._bench.elapsed_s(call.now_ns))

    def _state(self, call: Call) -> Reply:
        words = {LOCKED: "LOCK", HOLDOVER: "HOLD", RECOVERING: "REC", FREE: "FREE"}
        return words[self._now(call)]

    def _locked(self, call: Call) -> Reply:
        return "1" if self._now(call) in (LOCKED, RECOVERING) else "0"

    def _interval(self, call: Call) -> Reply:
        noise = float(self._bench.rng("interval", call.now_ns // SECOND_NS).normal(0.0, 3e-9))
        error = self._reference.time_error_s(self._bench.elapsed_s(call.now_ns))
        return f"{error + noise:+.3E}"

    def _estimate(self, call: Call) -> Reply:
        step = self._bench.world.grid.index(call.now_ns)
        first = max(0, step - 1000)
        return f"{float(self._reference.fractional(first, step + 1).mean()):+.3E}"

    def _count(self, call: Call) -> Reply:
        return str(satellites(self._bench, self._reference_name, call.now_ns))

    def update(self, now_ns: int) -> None:
        """Time questionable unless locked."""
        state = self._reference.state(self._bench.elapsed_s(now_ns))
        self.status.questionable.set_condition(0 if state == LOCKED else QUESTIONABLE_TIME)

    def factory_reset(self, now_ns: int) -> None:
        """Power cut: status only."""
        self.power_on(now_ns)

    def describe(self) -> dict[str, object]:
        """The reference it is."""
        return {"reference": self._reference_name}
