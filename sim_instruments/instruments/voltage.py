"""A voltmeter with a scanner, and a voltage source, each with a SCPI program."""

from decimal import Decimal
from typing import Any

from sim_instruments.instruments.bench import Bench
from sim_instruments.instruments.monitor import Monitor
from sim_instruments.optics.voltage import VoltageOutput
from sim_instruments.scpi.device import ScpiDevice
from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.tree import Call, Command, Reply, Wait, setting
from sim_instruments.scpi.values import Boolean, ChannelList, Parameter, number


class Voltmeter(ScpiDevice):
    """Measures the monitors wired to its scanner, one after the other, 20 ms each."""

    kind = "scpi_voltmeter"

    def __init__(self, bench: Bench) -> None:
        self.name = bench.name
        self._bench = bench
        self._sources = [str(source) for source in bench.row["inputs"]]
        self._monitors = [Monitor(bench, source) for source in self._sources]
        self._rng = bench.rng("readings")
        self._aperture_s = Decimal("0.02")
        self._last: list[str] | None = None
        channels = ChannelList(len(self._monitors), optional=True)
        limits: tuple[Parameter, ...] = (
            number("0.1", 1000, 10, "V", optional=True),
            number("1e-6", 1, "1e-4", "V", optional=True),
            channels,
        )
        some: tuple[Parameter, ...] = (channels,)
        super().__init__(
            bench.identity("VOLTMETER"),
            [
                Command("MEASure[:VOLTage][:DC]", query=self._measure, query_parameters=limits),
                Command("READ", query=self._read, query_parameters=some),
                Command("FETCh", query=self._fetch),
                setting(
                    "[SENSe]:VOLTage[:DC]:APERture",
                    number("0.001", 1, "0.02", "S"),
                    self._set_aperture,
                    lambda _: self._aperture_s,
                ),
            ],
        )

    def _set_aperture(self, _: Call, value: Any) -> Reply:
        self._aperture_s = value
        return None

    def _measure(self, call: Call) -> Wait:
        call.values = [call.values[2]]
        return (yield from self._read(call))

    def _read(self, call: Call) -> Wait:
        channels = call.values[0] or tuple(range(1, len(self._monitors) + 1))
        aperture_ns = int(self._aperture_s * 10**9)
        texts: list[str] = []
        now_ns = call.now_ns
        for channel in channels:
            stop_ns = now_ns + aperture_ns
            while now_ns < stop_ns:
                now_ns = yield stop_ns
            volts = self._monitors[channel - 1].volts(stop_ns - aperture_ns, stop_ns, self._rng)
            texts.append(f"{volts:+.6E}")
        self._last = texts
        return ",".join(texts)

    def _fetch(self, _: Call) -> Reply:
        if self._last is None:
            raise ScpiError(-230)
        return ",".join(self._last)

    def reset(self, now_ns: int) -> None:
        """``*RST``: 20 ms, nothing measured."""
        del now_ns
        self._aperture_s = Decimal("0.02")
        self._last = None

    def factory_reset(self, now_ns: int) -> None:
        """Power cut: as ``*RST``."""
        self.power_on(now_ns)

    def describe(self) -> dict[str, object]:
        """What is wired to each channel."""
        return {"channels": {str(n): name for n, name in enumerate(self._sources, start=1)}}


class VoltageSource(ScpiDevice):
    """Outputs that push lasers; 1 mV steps; ``*RST`` and a power cut leave 0 V, off."""

    kind = "scpi_voltage_source"

    def __init__(self, bench: Bench) -> None:
        self.name = bench.name
        count = len(bench.row["outputs_v"])
        self.outputs: list[VoltageOutput] = [
            bench.world.voltages[f"{bench.name}.{index}"] for index in range(1, count + 1)
        ]
        volts = number(
            str(bench.row.get("low_v", "-10")), str(bench.row.get("high_v", "10")), 0, "V"
        )
        super().__init__(
            bench.identity("VOLTAGE SOURCE"),
            [
                setting(
                    "[SOURce#]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
                    volts,
                    self._set,
                    lambda call: Decimal(f"{self._out(call).volts:.3f}"),
                    (count,),
                ),
                setting(
                    "OUTPut#[:STATe]",
                    Boolean(),
                    self._switch,
                    lambda call: self._out(call).enabled,
                    (count,),
                ),
                Command(
                    "MEASure#[:VOLTage]",
                    query=lambda call: f"{self._out(call).volts:+.4f}",
                    highest=(count,),
                ),
            ],
        )

    def _out(self, call: Call) -> VoltageOutput:
        return self.outputs[call.suffixes[0] - 1]

    def _set(self, call: Call, value: Any) -> Reply:
        self._out(call).set(round(float(value), 3), call.now_ns)
        return None

    def _switch(self, call: Call, value: Any) -> Reply:
        self._out(call).enabled = value
        if not value:
            self._out(call).set(0.0, call.now_ns)
        return None

    def reset(self, now_ns: int) -> None:
        """``*RST``: 0 V, off."""
        for output in self.outputs:
            output.set(0.0, now_ns)
            output.enabled = False

    def factory_reset(self, now_ns: int) -> None:
        """Power cut: as ``*RST``."""
        self.power_on(now_ns)

    def describe(self) -> dict[str, object]:
        """Volts when it was switched on, by output."""
        return {"outputs": {str(n): out.volts for n, out in enumerate(self.outputs, start=1)}}
