"""A multi-channel frequency counter with a SCPI program.

MEASure is CONFigure and READ?; READ? is ABORt, INITiate and FETCh? (SCPI-1999 Volume 2,
chapter 3). Gates of all inputs open and close together.
"""

from dataclasses import dataclass, field
from decimal import Decimal

from sim_instruments.instruments.acquisition import Acquisition, Row
from sim_instruments.instruments.bench import Bench
from sim_instruments.instruments.counting import Counting, Gate
from sim_instruments.scpi.device import ScpiDevice
from sim_instruments.scpi.errors import ScpiError

OPERATION_MEASURING = 1 << 4
QUESTIONABLE_FREQUENCY = 1 << 5


@dataclass
class CounterSettings:
    """Everything the program can set; ``channels`` in the order of the answers."""

    channels: tuple[int, ...]
    aperture_s: Decimal = Decimal("0.1")
    weighting: str = "PI"
    gapless: bool = True
    arm: str = "IMM"
    count: int = 1
    reference: str = "EXT"
    fall_back: bool = True
    data_format: str = "ASC"
    byte_order: str = "NORM"
    with_index: bool = False
    expected_hz: Decimal = Decimal(10_000_000)
    coupling: dict[int, str] = field(default_factory=dict)


class FrequencyCounter(ScpiDevice):
    """The counter; `counter_commands` holds its command table."""

    kind = "scpi_counter"

    def __init__(self, bench: Bench) -> None:
        from sim_instruments.instruments.counter_commands import commands

        self.name = bench.name
        self.bench = bench
        self.counting = Counting(bench)
        self.inputs = len(self.counting.names)
        self.acquisition = Acquisition(self._measure)
        self.settings = self._defaults()
        self._dead_ns = round(bench.number("dead_s", 2e-3) * 1e9)
        super().__init__(bench.identity("COUNTER"), commands(self))

    def _defaults(self) -> CounterSettings:
        return CounterSettings(channels=tuple(range(1, self.inputs + 1)))

    def reset(self, now_ns: int) -> None:
        """``*RST``: all inputs, 0.1 s, gapless, external reference with fall-back."""
        del now_ns
        self.acquisition.abort()
        self.acquisition.last = None
        self.acquisition.rows.clear()
        self.settings = self._defaults()

    def factory_reset(self, now_ns: int) -> None:
        """Power cut: as `reset`, but the time base is the internal one."""
        self.power_on(now_ns)
        self.settings.reference = "INT"

    def external(self, now_ns: int) -> bool:
        """True when it counts on the external reference now."""
        if self.settings.reference != "EXT" or self.bench.fault(now_ns, "internal_timebase"):
            return False
        return self.counting.time_base.present(now_ns)

    def update(self, now_ns: int) -> None:
        """Finish gates; conditions: measuring, and frequency questionable without reference."""
        self.acquisition.advance(now_ns)
        running = OPERATION_MEASURING if self.acquisition.running else 0
        self.status.operation.set_condition(running)
        lost = self.settings.reference == "EXT" and not self.external(now_ns)
        self.status.questionable.set_condition(QUESTIONABLE_FREQUENCY if lost else 0)

    def pending_until(self, now_ns: int) -> int | None:
        """End of a counted acquisition (continuous gates are not an operation to wait for)."""
        self.acquisition.advance(now_ns)
        return self.acquisition.finish_ns()

    def initiate(self, now_ns: int, continuous: bool = False) -> None:
        """Arm with the present settings; -213 while running."""
        self.acquisition.advance(now_ns)
        if self.acquisition.running:
            raise ScpiError(-213)
        settings = self.settings
        length_ns = int(settings.aperture_s * 10**9)
        gap_ns = 0 if settings.gapless else self._dead_ns
        count = None if continuous else settings.count
        start_ns = self._armed_at(now_ns)
        self.acquisition.start(start_ns, length_ns, gap_ns, count, settings.weighting)

    def _armed_at(self, now_ns: int) -> int:
        """At once, or with EXT at the next whole second of the pulse at the arm input."""
        if self.settings.arm == "EXT":
            return (now_ns // 10**9 + 1) * 10**9
        return now_ns

    def _measure(self, gate: Gate) -> dict[int, str]:
        external = self.external(gate.stop_ns)
        return {
            channel: self.counting.read(channel, gate, external)
            for channel in sorted(set(self.settings.channels))
        }

    def values(self, row: Row, channels: tuple[int, ...]) -> list[str]:
        """Texts of a row in the order of a channel list, index first if wanted."""
        missing = [channel for channel in channels if channel not in row.readings]
        if missing:
            raise ScpiError(-221, f"input {missing[0]} was not measured")
        texts = [row.readings[channel] for channel in channels]
        return [str(row.gate.index), *texts] if self.settings.with_index else texts

    def describe(self) -> dict[str, object]:
        """Inputs by number."""
        names = enumerate(self.counting.names, start=1)
        return {"inputs": {str(number): name for number, name in names}}
