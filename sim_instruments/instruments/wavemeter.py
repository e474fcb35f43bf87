"""A wavemeter that answers ASCII lines on a serial port.

Requests end with CR, LF or both; every request gets one line, ended with CR LF. ``n`` is a
channel number, frequencies are in THz with six decimals (1 MHz), wavelengths in nm.

    *IDN?            identity
    FREQ? n          n,<THz>,<OK|LOW|NONE>,<exposure number>,<exposures since the switch>
    WAVE? n          the same with the vacuum wavelength
    WAVA? n          the same with the wavelength in air (15 C, 101325 Pa, dry, fixed)
    CHAN?  CHAN n    channel in front of the instrument; CHAN holds the switch there
    SWIT?  SWIT ON   the switch goes round (ON) or stands (OFF)
    LEV? n           level in percent of full
    EXPO?            exposure time in ms
    READ? n          holds the switch on n, waits for a settled exposure, answers like FREQ?

Errors: ``ERR 1 unknown request``, ``ERR 2 bad argument``, ``ERR 3 no exposure``. A line
without an answer of its own is acknowledged with ``OK``.
"""

import math
from decimal import Decimal

from sim_instruments.instruments.bench import Bench
from sim_instruments.instruments.exposures import Exposure, Exposures
from sim_instruments.port import LinePort

SPEED_OF_LIGHT = 299_792_458
UNKNOWN, ARGUMENT, NO_EXPOSURE = (
    b"ERR 1 unknown request",
    b"ERR 2 bad argument",
    b"ERR 3 no exposure",
)


class Wavemeter:
    """The instrument; its ports share one switch."""

    kind = "ascii_wavemeter"

    def __init__(self, bench: Bench) -> None:
        self.name = bench.name
        self.bench = bench
        self.exposures = Exposures(bench)
        self.identity = ",".join(bench.identity("WAVEMETER"))

    def open_port(self) -> "WavemeterPort":
        """A connection."""
        return WavemeterPort(self)

    def factory_reset(self, now_ns: int) -> None:
        """Power cut: the switch goes round."""
        self.exposures.go_round(now_ns)

    def describe(self) -> dict[str, object]:
        """Lasers by channel number."""
        names = enumerate(self.bench.row["lasers"], start=1)
        return {"channels": {str(number): str(name) for number, name in names}}


class WavemeterPort(LinePort):
    """One connection: answers in the order of requests; READ? makes later ones wait."""

    def __init__(self, wavemeter: Wavemeter) -> None:
        super().__init__(limit=256)
        self._wavemeter = wavemeter
        self._requests: list[bytes] = []
        self._reading: int | None = None

    def feed(self, data: bytes, now_ns: int) -> None:
        """Take request bytes."""
        self._requests += self.lines(data)[: 1000 - len(self._requests)]
        self.poll(now_ns)

    def poll(self, now_ns: int) -> int | None:
        """Answer what can be answered; the instant of the next exposure if one is awaited."""
        while self._reading is not None or self._requests:
            if self._reading is not None:
                wake = self._finish_read(self._reading, now_ns)
                if wake is not None:
                    return wake
            else:
                answer = self._answer(self._requests.pop(0), now_ns)
                if answer is not None:
                    self.send(answer + b"\r\n")
        return None

    def _finish_read(self, channel: int, now_ns: int) -> int | None:
        exposures = self._wavemeter.exposures
        latest = exposures.latest(channel, now_ns)
        if latest is None or latest.since_switch < exposures.settling:
            wake = exposures.next_of(channel, now_ns)
            if wake is not None:
                return max(wake, now_ns + 1)
        self._reading = None
        self.send((NO_EXPOSURE if latest is None else _report(latest, "FREQ")) + b"\r\n")
        return None

    def _answer(self, line: bytes, now_ns: int) -> bytes | None:
        # Bytes are split at ASCII blanks only; a text would also be split at b"\x1c" or b"\xa0".
        words = [word.decode("latin-1").upper() for word in line.split()]
        request, arguments = words[0], words[1:]
        exposures = self._wavemeter.exposures
        simple = {
            "*IDN?": self._wavemeter.identity,
            "CHAN?": str(exposures.channel_at(exposures.last_number(now_ns) + 1)[0]),
            "SWIT?": "ON" if exposures.switching else "OFF",
            "EXPO?": f"{exposures.exposure_ns * 1e-6:.3f}",
        }
        if request in simple:
            return ARGUMENT if arguments else simple[request].encode("ascii")
        if request == "SWIT":
            return self._switch(arguments, now_ns)
        if request not in ("FREQ?", "WAVE?", "WAVA?", "LEV?", "READ?", "CHAN"):
            return UNKNOWN
        channel = self._channel(arguments)
        if channel is None:
            return ARGUMENT
        return self._for_channel(request, channel, now_ns)

    def _for_channel(self, request: str, channel: int, now_ns: int) -> bytes | None:
        exposures = self._wavemeter.exposures
        if request in ("CHAN", "READ?"):
            exposures.hold(channel, now_ns)
            if request == "CHAN":
                return b"OK"
            self._reading = channel
            return None
        latest = exposures.latest(channel, now_ns)
        if latest is None:
            return NO_EXPOSURE
        if request == "LEV?":
            return f"{channel},{latest.level_percent}".encode("ascii")
        return _report(latest, request.rstrip("?"))

    def _switch(self, arguments: list[str], now_ns: int) -> bytes:
        exposures = self._wavemeter.exposures
        if arguments == ["ON"]:
            exposures.go_round(now_ns)
        elif arguments == ["OFF"]:
            exposures.hold(exposures.channel_at(exposures.last_number(now_ns) + 1)[0], now_ns)
        else:
            return ARGUMENT
        return b"OK"

    def _channel(self, arguments: list[str]) -> int | None:
        if len(arguments) != 1 or not (arguments[0].isascii() and arguments[0].isdigit()):
            return None
        channel = int(arguments[0][:6])
        return channel if 1 <= channel <= self._wavemeter.exposures.channels else None


def _report(exposure: Exposure, quantity: str) -> bytes:
    hertz = Decimal(exposure.hertz)
    if exposure.state == "NONE":
        text = "0.000000"
    elif quantity == "FREQ":
        text = f"{hertz.scaleb(-12):.6f}"
    else:
        metres = Decimal(SPEED_OF_LIGHT) / hertz
        index = air_index(metres) if quantity == "WAVA" else Decimal(1)
        text = f"{(metres / index).scaleb(9):.7f}"
    fields = (exposure.channel, text, exposure.state, exposure.number, exposure.since_switch)
    return ",".join(str(field) for field in fields).encode("ascii")


def air_index(vacuum_m: Decimal) -> Decimal:
    """Refractive index of standard air (15 C, 101325 Pa, dry, 450 ppm CO2).

    Ciddor, Appl. Opt. 35, 1566 (1996), Eq. 1, coefficients from memory.
    """
    sigma2 = float(vacuum_m * 10**6) ** -2
    refractivity = 0.05792105 / (238.0185 - sigma2) + 0.00167917 / (57.362 - sigma2)
    assert math.isfinite(refractivity)
    return Decimal(1) + Decimal(repr(refractivity))
