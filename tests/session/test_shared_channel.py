"""A laser table whose repetition rate comes from another host: judged on it, unknown without it."""

from __future__ import annotations

import json
from fractions import Fraction
from typing import Any

from labref.config.lab import parse_lab
from labref.drivers.instrument import Instrument
from labref.drivers.programs import program_of
from labref.model.flags import Flag
from labref.model.readings import block
from labref.model.times import NS_PER_S, VirtualClock, parse_iso
from labref.plugins import load_plugins
from labref.session.instruments import setups
from labref.session.memory import MemorySource
from labref.session.readers import InlineReader
from labref.session.session import Session
from labref.testing.labs import comb_lab
from labref.transport.memory import AnsweringPeer, MemoryWire

START_NS = parse_iso("2026-11-25T00:00:00Z")
REMOTE = """[instruments.comb_host]
address = "mqtt://192.0.2.5/labref/site/comb_host"
dialect = "shared-channels"
timeout_s = 1

[instruments.bench]"""


def lab_text() -> str:
    text = comb_lab(("[instruments.bench]", REMOTE))
    old = 'group = "counter"\nsigma = 1e-5\ninstrument = "bench"\ninput = 1'
    new = 'group = "comb host"\nsigma = 1e-5\ninstrument = "comb_host"\ninput = "rate"'
    assert old in text
    return text.replace(old, new)


class Table:
    """The session of the laser table, its own counter by hand, the comb host by message."""

    def __init__(self) -> None:
        self.clock = VirtualClock(START_NS)
        self.peer = AnsweringPeer(self._answer, self.clock)
        plugins = load_plugins(("tolerance", "evidence"))
        self.lab = parse_lab(lab_text(), "lab.toml", plugins.tables())
        (setup,) = [each for each in setups(self.lab) if each.name == "comb_host"]
        wire = MemoryWire(self.peer, self.clock)
        reader = InlineReader(Instrument(setup, program_of(setup, self.clock)), wire, self.clock)
        self.own = MemorySource()
        self.session = Session(self.lab, [self.own, reader], plugins, clock=self.clock)
        self.gate = 0

    def _answer(self, line: bytes) -> bytes:
        asked = json.loads(line)
        now_ns = self.clock.now_ns()
        answer = {**asked, "kind": "answer", "heard_ns": now_ns, "said_ns": now_ns}
        return json.dumps(answer).encode() + b"\n"

    def say(self, message: dict[str, Any]) -> None:
        self.peer.later(0.0, json.dumps(message).encode() + b"\n")

    def second(self, rate: float | None = 0.0) -> bool | None:
        """Let a gate pass on both hosts; ``rate`` None: the comb host is silent."""
        start = START_NS + self.gate * NS_PER_S
        self.gate += 1
        for _ in range(10):
            self.clock.wait(0.1)
            self.session.step()
        stop = start + NS_PER_S
        for name in ("f_ceo", "beat", "wm"):
            self.own.put(block(name, start, stop, 0.0))
        if rate is not None:
            self.say(
                {
                    "kind": "gates",
                    "channel": "rate",
                    "nominal": "250000000",
                    "start_ns": [start],
                    "stop_ns": [stop],
                    "offset": [rate],
                    "flags": [int(Flag.WRITTEN)],
                    "errors": None,
                }
            )
        self.session.step()
        return self.session.status.is_good("clock729")


def test_a_shared_repetition_rate_enters_the_equation_exactly() -> None:
    table = Table()
    for _ in range(5):
        good = table.second()
    assert good is True
    # 1 mHz on f_rep is 1644.168 Hz at the laser (n = 1644168), inside 2000 Hz; 2 mHz is not.
    assert table.second(0.001) is True
    detuning = table.session.status.standings["clock729"].detuning_hz
    assert abs(detuning - float(Fraction(1644168, 1000))) < 1e-3
    assert table.second(0.002) is False


def test_silence_of_the_comb_host_is_unknown_never_stale_good() -> None:
    table = Table()
    for _ in range(5):
        table.second()
    answers = [table.second(None) for _ in range(6)]
    assert True not in answers[2:]
    assert answers[-1] is None
    reason = table.session.status.verdict("clock729").reason
    assert reason


def test_a_change_that_was_made_there_is_unknown_here() -> None:
    table = Table()
    for _ in range(5):
        table.second()
    table.say(
        {"kind": "change", "number": "7", "channel": "rate", "phase": "made", "text": "", "by": "A"}
    )
    table.second()
    assert table.second() is None
    assert "settings" in table.session.status.verdict("clock729").reason
