"""The script of SCPI lines, taken from the standards' rules, run against the parser."""

import importlib.util
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from sim_instruments.clock import VirtualClock
from sim_instruments.scpi.exchange import BusExchange

HERE = Path(__file__).parent
SCRIPT = (HERE / "scpi_script.txt").read_text(encoding="ascii").splitlines()


def device():
    spec = importlib.util.spec_from_file_location("script_device", HERE / "script_device.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.ScriptDevice()


def raw(text: str) -> bytes:
    return re.sub(r"\\x(..)", lambda m: chr(int(m.group(1), 16)), text).encode("latin-1")


def steps() -> Iterator[tuple[int, str, str, str]]:
    rule = ""
    for number, line in enumerate(SCRIPT, start=1):
        if line.startswith("# ["):
            rule = line[3:].split("]")[0]
        elif line and line[0] in "><!-" and (line[0] == "-" or line[1] == " "):
            yield number, line[0], line[2:], rule


def act(bus: BusExchange, clock: VirtualClock, action: str) -> None:
    word, _, rest = action.partition(" ")
    if word == "wait":
        clock.advance(float(rest))
        bus.wake_ns(clock.now_ns())
    elif word == "half":
        bus.write(raw(rest), clock.now_ns())
    elif word == "clear":
        bus.clear()
    else:
        assert word == "read"


def test_every_line_is_answered_as_the_standards_say():
    clock = VirtualClock()
    bus = BusExchange(device())
    asked = None
    failures = []
    for number, mark, text, rule in steps():
        if mark == ">":
            bus.write(raw(text) + b"\n", clock.now_ns())
            asked = text
        elif mark == "!":
            act(bus, clock, text)
            asked = "read" if text == "read" else asked
        elif mark == "-" and asked == "read":
            if bus.read(clock.now_ns()) is not None:
                failures.append((number, rule, "a response came"))
        elif mark == "-":
            if bus.response_waiting():
                failures.append((number, rule, "a response came"))
        else:
            answer = bus.read(clock.now_ns())
            if answer != raw(text) + b"\n":
                failures.append((number, rule, asked, answer, text))
    assert failures == []


def test_script_has_at_least_a_hundred_messages():
    assert sum(mark == ">" for _, mark, _, _ in steps()) >= 100


def test_every_message_stands_under_a_rule():
    assert all(rule for _, _, _, rule in steps())


@pytest.mark.parametrize("wrong", ["*IDN?", "SYST:ERR?"])
def test_script_runner_sees_a_wrong_answer(wrong):
    bus = BusExchange(device())
    bus.write(wrong.encode() + b"\n", 0)
    assert bus.read(0) != b"something else\n"
