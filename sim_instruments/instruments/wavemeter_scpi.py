"""A wavemeter with a SCPI program: frequency, vacuum or air wavelength, channel switch."""

from decimal import Decimal

from sim_instruments.instruments.bench import Bench
from sim_instruments.instruments.exposures import Exposure, Exposures
from sim_instruments.instruments.wavemeter import SPEED_OF_LIGHT, air_index
from sim_instruments.scpi.device import ScpiDevice
from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.tree import Call, Command, Handler, Reply, Wait
from sim_instruments.scpi.values import NOT_A_NUMBER, Boolean, ChannelList, Choice


class ScpiWavemeter(ScpiDevice):
    """FETCh? gives a channel's last exposure, READ? and MEASure? wait for a settled one.

    Frequencies are in Hz, wavelengths in m, in the medium that ``SENSe:MEDium`` names (VAC or
    AIR). A channel without light answers 9.91E37.
    """

    kind = "scpi_wavemeter"

    def __init__(self, bench: Bench) -> None:
        self.name = bench.name
        self._bench = bench
        self._exposures = Exposures(bench)
        self._medium = "VAC"
        super().__init__(bench.identity("SCPI WAVEMETER"), self._commands())

    def _commands(self) -> list[Command]:
        exposure_s = self._exposures.exposure_ns * 1e-9
        channel = (ChannelList(self._exposures.channels, optional=True),)
        medium = (Choice(("VACuum", "AIR"), "VAC"),)
        rows = [
            Command("ROUTe:CLOSe", self._close, self._closed, channel),
            Command("ROUTe:SCAN[:STATe]", self._scan, self._scanning, (Boolean(),)),
            Command("[SENSe]:MEDium", self._set_medium, lambda _: self._medium, medium),
            Command("[SENSe]:EXPosure", query=lambda _: f"{exposure_s:.6f}"),
            Command("FETCh:LEVel", query=self._level, query_parameters=channel),
            Command("FETCh:COUNt", query=self._count, query_parameters=channel),
        ]
        for quantity in ("FREQuency", "WAVelength"):
            fetch, read = self._handlers(quantity)
            rows += [
                Command(f"FETCh[:SCALar]:{quantity}", query=fetch, query_parameters=channel),
                Command(f"READ[:SCALar]:{quantity}", query=read, query_parameters=channel),
                Command(f"MEASure[:SCALar]:{quantity}", query=read, query_parameters=channel),
            ]
        return rows

    def _handlers(self, quantity: str) -> tuple[Handler, Handler]:
        return (
            lambda call: self._fetch(call, quantity),
            lambda call: self._read(call, quantity),
        )

    def _channels(self, call: Call) -> tuple[int, ...]:
        exposures = self._exposures
        present = exposures.channel_at(exposures.last_number(call.now_ns) + 1)[0]
        return call.values[0] or (present,)

    def _close(self, call: Call) -> Reply:
        if call.values[0] is None:
            raise ScpiError(-109)
        self._exposures.hold(call.values[0][-1], call.now_ns)
        return None

    def _closed(self, call: Call) -> Reply:
        exposures = self._exposures
        return f"(@{exposures.channel_at(exposures.last_number(call.now_ns) + 1)[0]})"

    def _scan(self, call: Call) -> Reply:
        if call.values[0]:
            self._exposures.go_round(call.now_ns)
        elif self._exposures.switching:
            present = self._exposures.last_number(call.now_ns) + 1
            self._exposures.hold(self._exposures.channel_at(present)[0], call.now_ns)
        return None

    def _scanning(self, _: Call) -> Reply:
        return "1" if self._exposures.switching else "0"

    def _set_medium(self, call: Call) -> Reply:
        self._medium = call.values[0]
        return None

    def _latest(self, channel: int, now_ns: int) -> Exposure:
        latest = self._exposures.latest(channel, now_ns)
        if latest is None:
            raise ScpiError(-230)
        return latest

    def _fetch(self, call: Call, quantity: str) -> Reply:
        exposures = [self._latest(channel, call.now_ns) for channel in self._channels(call)]
        return ",".join(self._text(exposure, quantity) for exposure in exposures)

    def _read(self, call: Call, quantity: str) -> Wait:
        """Wait for an exposure that starts after now and has settled, per channel."""
        texts: list[str] = []
        now_ns = call.now_ns
        settling = self._exposures.settling
        for channel in self._channels(call):
            if not self._exposures.switching:
                self._exposures.hold(channel, now_ns)
            asked_ns = now_ns
            while True:
                latest = self._exposures.latest(channel, now_ns)
                fresh = latest is not None and latest.start_ns >= asked_ns
                if latest is not None and fresh and latest.since_switch >= settling:
                    break
                wake_ns = self._exposures.next_of(channel, now_ns)
                if wake_ns is None:
                    raise ScpiError(-230)
                now_ns = yield wake_ns
            texts.append(self._text(latest, quantity))
        return ",".join(texts)

    def _text(self, exposure: Exposure, quantity: str) -> str:
        if exposure.state == "NONE":
            return NOT_A_NUMBER
        hertz = Decimal(exposure.hertz).quantize(Decimal("1E5"))
        if quantity == "FREQuency":
            return f"{hertz:.9E}"
        metres = Decimal(SPEED_OF_LIGHT) / hertz
        index = air_index(metres) if self._medium == "AIR" else Decimal(1)
        return f"{metres / index:.10E}"

    def _level(self, call: Call) -> Reply:
        levels = [self._latest(c, call.now_ns).level_percent for c in self._channels(call)]
        return ",".join(str(level) for level in levels)

    def _count(self, call: Call) -> Reply:
        numbers = [self._latest(c, call.now_ns).number for c in self._channels(call)]
        return ",".join(str(number) for number in numbers)

    def reset(self, now_ns: int) -> None:
        """``*RST``: vacuum, switch going round."""
        self._medium = "VAC"
        self._exposures.go_round(now_ns)

    def factory_reset(self, now_ns: int) -> None:
        """Power cut: as ``*RST``, and the medium is air, as it left the factory."""
        self.power_on(now_ns)
        self._medium = "AIR"

    def describe(self) -> dict[str, object]:
        """Lasers by channel number."""
        names = enumerate(self._bench.row["lasers"], start=1)
        return {"channels": {str(number): str(name) for number, name in names}}
