"""The device of `scpi_script.txt`: a few commands of every parameter type."""

from decimal import Decimal
from typing import Any

from sim_instruments.scpi.device import ScpiDevice
from sim_instruments.scpi.tree import Call, Command, setting
from sim_instruments.scpi.values import (
    Block,
    Boolean,
    ChannelList,
    Choice,
    Text,
    definite_block,
    integer,
    number,
)

START = {
    "aperture": Decimal("0.1"),
    "weighting": "PI",
    "frequency": Decimal(10**7),
    "count": Decimal(1),
}


class ScriptDevice(ScpiDevice):
    def __init__(self) -> None:
        self.values: dict[str, Any] = dict(START)
        self.outputs = {1: False, 2: False}
        self.until: int | None = None
        sense = "[SENSe]:FREQuency"
        super().__init__(
            ("MAKER", "MODEL", "SERIAL", "VERSION"),
            [
                self.stored(f"{sense}:APERture", number("0.0001", 1000, "0.1", "S"), "aperture"),
                self.stored(f"{sense}[:CW|FIXed]", number(1, 10**11, 10**7, "HZ"), "frequency"),
                self.stored(
                    f"{sense}:WEIGhting", Choice(("PI", "LAMBda", "OMEGa"), "PI"), "weighting"
                ),
                self.stored("TRIGger:COUNt", integer(1, 1000, 1), "count"),
                setting(
                    "OUTPut#[:STATe]",
                    Boolean(),
                    lambda call, value: self.outputs.__setitem__(call.suffixes[0], value),
                    lambda call: self.outputs[call.suffixes[0]],
                    (2,),
                ),
                Command("ROUTe:SCAN", self.put("scan"), self.scan, (ChannelList(4),)),
                Command("DISPlay:TEXT", self.put("text"), self.text, (Text(),)),
                Command("DATA:MEMory", self.put("block"), self.block, (Block(),)),
                Command("INITiate", self.initiate),
            ],
        )

    def stored(self, pattern: str, parameter: Any, name: str) -> Command:
        return setting(
            pattern,
            parameter,
            lambda _, value: self.values.__setitem__(name, value),
            lambda _: self.values[name],
        )

    def put(self, name: str) -> Any:
        return lambda call: self.values.__setitem__(name, call.values[0])

    def scan(self, _: Call) -> str:
        return "(@" + ",".join(str(channel) for channel in self.values["scan"]) + ")"

    def text(self, _: Call) -> str:
        return '"' + self.values["text"].replace('"', '""') + '"'

    def block(self, _: Call) -> bytes:
        return definite_block(self.values["block"])

    def initiate(self, call: Call) -> None:
        self.until = call.now_ns + 2 * 10**9

    def pending_until(self, now_ns: int) -> int | None:
        return self.until if self.until is not None and self.until > now_ns else None

    def reset(self, now_ns: int) -> None:
        self.values = dict(START)
        self.until = None
