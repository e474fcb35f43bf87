"""A radio-frequency synthesizer with several outputs and a SCPI program."""

from decimal import Decimal
from fractions import Fraction
from typing import Any

from sim_instruments.instruments.bench import Bench
from sim_instruments.optics.powerlaw import PowerLaw
from sim_instruments.optics.references import Reference
from sim_instruments.optics.source import RfOutput
from sim_instruments.scpi.device import ScpiDevice
from sim_instruments.scpi.tree import Call, Command, Reply, setting
from sim_instruments.scpi.values import Boolean, Choice, number

QUESTIONABLE_FREQUENCY = 1 << 5
_FACTORY_HZ = Decimal(100_000_000)
_FACTORY_DBM = Decimal(-20)


class Synthesizer(ScpiDevice):
    """Outputs ``SOURce1`` .. ``SOURceN``; the frequency is rounded to a DDS word.

    ``FREQuency?`` answers the rounded frequency in the scale of the time base, to 1 uHz.
    ``*RST`` and a power cut leave 100 MHz, -20 dBm, outputs off, and after a power cut the
    internal time base.
    """

    kind = "scpi_synthesizer"

    def __init__(self, bench: Bench) -> None:
        self.name = bench.name
        self._bench = bench
        count = len(bench.row["outputs_hz"])
        self.outputs: list[RfOutput] = [
            bench.world.outputs[f"{bench.name}.{index}"] for index in range(1, count + 1)
        ]
        for output in self.outputs:
            output.level_dbm = Decimal(str(bench.row.get("level_dbm", "10")))
        self._external = bench.world.references[str(bench.row["reference"])]
        offset = float(bench.rng("own time base").normal(0.0, bench.number("internal_y", 2e-7)))
        law = PowerLaw(h0=1e-22, hm1=1e-23)
        own = f"{bench.name}/own"
        self._own = Reference(own, bench.world.grid, law, offset, bench.faults, bench.world.seed)
        self.reference = "EXT"
        super().__init__(bench.identity("SYNTHESIZER"), self._commands(count))

    def _commands(self, count: int) -> list[Command]:
        low = str(self._bench.row.get("low_hz", "1000000"))
        high = str(self._bench.row.get("high_hz", "400000000"))
        highest = (count,)
        frequency = number(low, high, str(_FACTORY_HZ), "HZ")
        level = number("-60", "20", str(_FACTORY_DBM), "DBM")
        amplitude = "[SOURce#]:POWer[:LEVel][:IMMediate][:AMPLitude]"
        oscillator = "[SOURce#]:ROSCillator"
        words = (Choice(("INTernal", "EXTernal"), "EXT"),)
        return [
            setting("[SOURce#]:FREQuency[:CW|FIXed]", frequency, self._tune, self._tuned, highest),
            setting(amplitude, level, self._set_level, lambda c: self._out(c).level_dbm, highest),
            setting(
                "OUTPut#[:STATe]", Boolean(), self._switch, lambda c: self._out(c).enabled, highest
            ),
            Command(f"{oscillator}:SOURce", self._select, self._selected, words, highest=highest),
            Command(f"{oscillator}:EXTernal:VALid", query=self._valid, highest=highest),
        ]

    def _out(self, call: Call) -> RfOutput:
        return self.outputs[call.suffixes[0] - 1]

    def _tune(self, call: Call, value: Any) -> Reply:
        self._out(call).tune(value, call.now_ns)
        return None

    def _tuned(self, call: Call) -> Decimal:
        return shown(self._out(call).frequency_hz)

    def _set_level(self, call: Call, value: Any) -> Reply:
        self._out(call).level_dbm = value
        return None

    def _switch(self, call: Call, value: Any) -> Reply:
        self._out(call).enabled = value
        return None

    def _select(self, call: Call) -> Reply:
        self.reference = call.values[0]
        self.update(call.now_ns)
        return None

    def _selected(self, call: Call) -> Reply:
        return "EXT" if self.external(call.now_ns) else "INT"

    def _valid(self, call: Call) -> Reply:
        return "0" if self._bench.fault(call.now_ns, "reference_lost") else "1"

    def external(self, now_ns: int) -> bool:
        """True when it runs on the external reference now."""
        lost = self._bench.fault(now_ns, "reference_lost", "internal_timebase")
        return self.reference == "EXT" and lost is None

    def update(self, now_ns: int) -> None:
        """Let the outputs follow the time base in use; frequency questionable without it."""
        external = self.external(now_ns)
        for output in self.outputs:
            output.follow(self._external if external else self._own, now_ns)
        missing = self.reference == "EXT" and not external
        self.status.questionable.set_condition(QUESTIONABLE_FREQUENCY if missing else 0)

    def tick(self, now_ns: int) -> None:
        """Follow faults of the reference although nobody asks."""
        self.update(now_ns)

    def reset(self, now_ns: int) -> None:
        """``*RST``: 100 MHz, -20 dBm, off."""
        for output in self.outputs:
            output.tune(_FACTORY_HZ, now_ns)
            output.level_dbm = _FACTORY_DBM
            output.enabled = False

    def factory_reset(self, now_ns: int) -> None:
        """Power cut: as `reset`, on the internal time base."""
        self.power_on(now_ns)
        self.reference = "INT"
        self.update(now_ns)

    def describe(self) -> dict[str, object]:
        """Outputs by number: frequency in Hz and level in dBm when it was switched on."""
        rows = enumerate(self.outputs, start=1)
        return {
            "outputs": {
                str(number): {"hz": str(output.nominal), "dbm": str(output.level_dbm)}
                for number, output in rows
            }
        }


def shown(frequency_hz: Fraction) -> Decimal:
    """A frequency as the display shows it: rounded to 1 uHz."""
    return Decimal(round(frequency_hz * 10**6)).scaleb(-6)
