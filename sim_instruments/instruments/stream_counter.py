"""A free-running counter that sends a line per gate, on TCP or on a serial line.

Line: gate index, then one frequency in Hz per input, separated by blanks, CR LF. Gates are
gapless and begin with whole multiples of the gate time. A connection begins with two lines
that start with ``#``: identity, then ``gate_s=... weighting=... inputs=...``. Requests:
``ID`` (identity), ``STOP``, ``GO``, ``GATE x`` (s); anything else is answered ``# ?``.
Index and settings are shared by all connections.
"""

from decimal import Decimal, InvalidOperation

from sim_instruments.instruments.bench import Bench
from sim_instruments.instruments.counting import Counting, Gate
from sim_instruments.port import LinePort

SHORTEST_S, LONGEST_S = Decimal("0.0001"), Decimal(100)
MOST_LATE = 20_000


class StreamCounter:
    """The counter; remembers the lines of recent gates, so that all listeners get the same."""

    kind = "stream_counter"

    def __init__(self, bench: Bench) -> None:
        self.name = bench.name
        self._bench = bench
        self.counting = Counting(bench)
        self.identity = ",".join(bench.identity("STREAM COUNTER"))
        self._weighting = str(bench.row.get("weighting", "LAMB"))
        self._default_gate_s = Decimal(str(bench.row.get("gate_s", "0.1")))
        self.gate_s = self._default_gate_s
        self._origin_ns = bench.world.grid.start_ns
        self._lines: dict[int, bytes] = {}

    @property
    def gate_ns(self) -> int:
        """Gate time, ns."""
        return int(self.gate_s * 10**9)

    def open_port(self) -> "StreamPort":
        """A listener."""
        return StreamPort(self)

    def set_gate(self, gate_s: Decimal, now_ns: int) -> None:
        """Another gate time; the index begins again at 0."""
        self.gate_s = gate_s
        self._origin_ns = -(-now_ns // self.gate_ns) * self.gate_ns
        self._lines.clear()

    def ended(self, now_ns: int) -> int:
        """Index after that of the last gate that has ended."""
        return max(0, (now_ns - self._origin_ns) // self.gate_ns)

    def end_ns(self, index: int) -> int:
        """End of a gate, ns UTC."""
        return self._origin_ns + (index + 1) * self.gate_ns

    def line(self, index: int) -> bytes:
        """The line of a gate that has ended."""
        if index not in self._lines:
            gate = Gate(
                index, self.end_ns(index) - self.gate_ns, self.end_ns(index), self._weighting
            )
            external = (
                self._bench.fault(gate.stop_ns, "internal_timebase", "reference_lost") is None
            )
            texts = [
                self.counting.read(channel, gate, external)
                for channel in range(1, len(self.counting.names) + 1)
            ]
            self._lines[index] = " ".join([str(index), *texts]).encode("ascii") + b"\r\n"
            self._lines.pop(index - MOST_LATE, None)
        return self._lines[index]

    def head(self) -> list[bytes]:
        """The two lines a connection begins with."""
        inputs = ",".join(self.counting.names)
        return [
            f"# {self.identity}\r\n".encode("ascii"),
            f"# gate_s={self.gate_s} weighting={self._weighting} inputs={inputs}\r\n".encode(),
        ]

    def factory_reset(self, now_ns: int) -> None:
        """Power cut: the gate time it was delivered with; index from 0."""
        self.set_gate(self._default_gate_s, now_ns)

    def describe(self) -> dict[str, object]:
        """Inputs by number, gate and weighting."""
        names = enumerate(self.counting.names, start=1)
        return {
            "inputs": {str(number): name for number, name in names},
            "gate_s": str(self.gate_s),
            "weighting": self._weighting,
        }


class StreamPort(LinePort):
    """One listener."""

    def __init__(self, counter: StreamCounter) -> None:
        super().__init__(limit=256)
        self._counter = counter
        self._next: int | None = None
        self._running = True

    def feed(self, data: bytes, now_ns: int) -> None:
        """Obey requests."""
        for line in self.lines(data):
            self._obey(line.decode("latin-1").upper().split(), now_ns)
        self.poll(now_ns)

    def _obey(self, words: list[str], now_ns: int) -> None:
        counter = self._counter
        if words == ["ID"]:
            self.send(counter.head()[0])
        elif words == ["STOP"]:
            self._running = False
        elif words == ["GO"]:
            self._running, self._next = True, counter.ended(now_ns)
        elif len(words) == 2 and words[0] == "GATE" and _gate(words[1]) is not None:
            counter.set_gate(_gate(words[1]) or SHORTEST_S, now_ns)
            self._next = None
        else:
            self.send(b"# ?\r\n")

    def poll(self, now_ns: int) -> int | None:
        """Send the lines of gates that have ended."""
        counter = self._counter
        ended = counter.ended(now_ns)
        if self._next is None or self._next > ended:
            for line in counter.head():
                self.send(line)
            self._next = ended
        if not self._running:
            return None
        self._next = max(self._next, ended - MOST_LATE)
        while self._next < ended:
            self.send(counter.line(self._next))
            self._next += 1
        return counter.end_ns(self._next)


def _gate(text: str) -> Decimal | None:
    try:
        gate = Decimal(text)
    except InvalidOperation:
        return None
    return gate if gate.is_finite() and SHORTEST_S <= gate <= LONGEST_S else None
