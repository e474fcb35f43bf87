"""Two hosts and a real broker: what is published arrives; who dies is unknown at once."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from labref.drivers.base import InstrumentSetup
from labref.model.channel import Channel
from labref.model.flags import Flag
from labref.model.readings import block
from labref.model.result import Result
from labref.model.times import NS_PER_S, RealClock
from labref.model.verdict import Frequencies
from labref.session.readers import make_reader
from labref.transport.loop import SelectorLoop
from labref.transport.wires import Wires

pytest.importorskip("paho.mqtt.client")

from labref_mqtt.command import command
from labref_mqtt.follower import Follower
from labref_mqtt.publisher import Publisher
from labref_mqtt.table import MqttTable
from labref_mqtt.wire import mqtt_wire

F_REP = Fraction(250_000_000)
PATIENCE_S = 15.0


class Lab:
    """As much of a lab as a publisher looks at."""

    def __init__(self) -> None:
        self.channels = {"f_rep": Channel("f_rep", F_REP)}


def until(holds: Callable[[], Any], wake: threading.Event | None = None) -> Any:
    """Wait until ``holds`` is true, bounded; looked at every 20 ms or when woken."""
    end_s = time.monotonic() + PATIENCE_S
    event = wake or threading.Event()
    while time.monotonic() < end_s:
        if found := holds():
            return found
        event.wait(0.02)
        event.clear()
    raise AssertionError("waited in vain")


@contextlib.contextmanager
def publishing(broker: Any, **more: Any) -> Iterator[Publisher]:
    made = Publisher(MqttTable(broker=broker.address(), channels=["f_rep"], **more), Lab())
    made.start()
    try:
        yield made
    finally:
        made.stop("test")


def result(state: int, offset: float = 1.5) -> Result:
    now = time.time_ns()
    start = np.array([now - NS_PER_S])
    one = np.array([offset])
    zero = np.array([1], np.uint32)
    stop = np.array([now])
    found = Frequencies("clock729", "411042129776400", 1, start, stop, one, one, zero, one, one)
    return Result(found, np.array([state], np.uint8))


def gate(offset: float, number: int, gate_ns: int = NS_PER_S, begin_ns: int = 0) -> Any:
    start = begin_ns + number * gate_ns
    return block("f_rep", start, start + gate_ns, offset)


@contextlib.contextmanager
def reading(broker: Any, gate_s: float = 0.1) -> Iterator[tuple[Any, list[Any], threading.Event]]:
    """A laser table's reader on a selector loop, and everything that it gave."""
    clock, woken, found = RealClock(), threading.Event(), []
    channel = Channel("f_rep", F_REP, gate_ns=round(gate_s * 1e9))
    setup = InstrumentSetup(
        "comb_host", broker.address(), "shared-channels", (("f_rep", channel),), {}, 1.0
    )
    wires = Wires({"mqtt://": mqtt_wire})
    loop = SelectorLoop(clock)
    reader = make_reader(setup, clock, wires, loop=loop, wake=woken.set)
    reader.start()
    try:
        yield reader, found, woken
    finally:
        reader.stop()


def test_gates_reach_another_hosts_reader_and_a_dead_publisher_is_a_dead_link(broker: Any) -> None:
    with reading(broker) as (reader, found, woken):
        with publishing(broker) as publisher:
            number = 0

            def arrived() -> bool:
                nonlocal number
                number += 1
                now = time.time_ns() // 100_000_000 * 100_000_000
                if not found or now > found[-1]:
                    publisher.readings([gate(0.25, 0, 100_000_000, now - 100_000_000)])
                for readings in reader.collect():
                    found.extend(readings.start_ns[readings.usable].tolist())
                return len(found) >= 3

            until(arrived, woken)
        lost: list[int] = []

        def gone() -> bool:
            for readings in reader.collect():
                lost.extend(readings.flags.tolist())
            return any(flags & int(Flag.LINK) for flags in lost)

        until(gone, woken)
        assert any("has ended or died" in fault.text for fault in reader.faults())


def test_a_killed_broker_makes_unknown_and_loses_no_gate(broker: Any) -> None:
    import paho.mqtt.client as mqtt

    got: list[int] = []
    client = mqtt.Client(
        mqtt.CallbackAPIVersion.VERSION2, client_id="recorder", clean_session=False
    )
    client.on_message = lambda _c, _d, m: got.extend(json.loads(m.payload)["start_ns"])
    client.on_connect = lambda c, *_: c.subscribe("labref/site/comb_host/channel/#", 1)
    client.connect_async("127.0.0.1", broker.port, 5)
    client.loop_start()
    try:
        with publishing(broker) as publisher, Follower(broker.address()) as follower:
            session = "labref/site/comb_host"

            def good() -> bool:
                publisher.results([result(1)])
                return follower.is_good(session, "clock729") is True

            until(good)
            publisher.readings([gate(0.0, 1)])
            until(lambda: got)
            # The broker remembers over its death who had subscribed.
            until(broker.has_saved)
            broker.kill()
            until(lambda: follower.is_good(session, "clock729") is None)
            for number in range(2, 502):
                publisher.readings([gate(0.0, number)])
            broker.start()
            until(good)
            until(lambda: len(set(got)) >= 501)
            assert sorted(set(got)) == [n * NS_PER_S for n in range(1, 502)]
            assert publisher.dropped == 0
    finally:
        client.disconnect()
        client.loop_stop()


CHILD = """
import sys, time
sys.path[:0] = {path!r}
from tests_hosts import Lab, MqttTable, Publisher, result
publisher = Publisher(MqttTable(broker={address!r}), Lab())
publisher.start()
while True:
    publisher.results([result(1)])
    time.sleep(0.05)
"""


def test_the_last_will_of_a_killed_session_is_unknown(broker: Any, tmp_path: Path) -> None:
    (tmp_path / "tests_hosts.py").write_text(Path(__file__).read_text())
    code = CHILD.format(path=[str(tmp_path), *sys.path], address=broker.address())
    child = subprocess.Popen([sys.executable, "-c", code])
    try:
        with Follower(broker.address("labref")) as follower:
            session = "labref/site/comb_host"
            until(lambda: follower.is_good(session, "clock729"))
            os.kill(child.pid, signal.SIGKILL)
            child.wait()
            until(lambda: follower.is_good(session, "clock729") is None)
            why = follower.states()[0].why
            assert why == "the session has ended or died" or why.startswith("silent")
    finally:
        child.kill()
        child.wait()


def test_a_late_joiner_waits_for_a_live_message(broker: Any) -> None:
    with publishing(broker, state_every_s=1) as publisher:
        publisher.results([result(1)])
        with Follower(broker.address()) as follower:
            until(lambda: follower.states())
            until(lambda: follower.is_good("labref/site/comb_host", "clock729"))
            message = follower.states()[0].message
    assert message["nominal_hz"] == "411042129776400"
    assert message["offset_hz"] == 1.5
    assert message["since_ns"] == message["start_ns"]


def test_changes_need_consent_or_a_window(broker: Any) -> None:
    def run(*arguments: str) -> Any:
        return CliRunner().invoke(command, [arguments[0], broker.address(), *arguments[1:]])

    assert run("subscribe", "table 2").exit_code == 0
    said = run("announce", "f_rep", "250.000 to 250.001 MHz", "--by", "A. Person")
    assert said.exit_code == 0
    number = said.stdout.split()[0]
    assert "consent missing: table 2" in said.stdout
    refused = run("made", number)
    assert refused.exit_code == 1
    assert "no consent of table 2" in refused.stderr
    assert run("consent", number, "table 2", "--by", "B. Person").exit_code == 0
    assert "consent missing: none" in run("changes").stdout
    done = run("made", number, "--by", "A. Person")
    assert (done.exit_code, "made by A. Person" in done.stdout) == (0, True)
    assert run("made", number).exit_code == 1
    assert run("withdraw", number).exit_code == 1
    assert run("made", "nothing").exit_code == 2


def test_inside_a_maintenance_window_no_consent_is_needed(broker: Any) -> None:
    from labref_mqtt.changes import ChangeDesk

    now_ns = 1_795_000_000 * NS_PER_S
    with ChangeDesk(broker.address(), lambda: now_ns) as desk:
        desk.subscribe_as("table 2")
        change = desk.announce("f_ceo", "sign", "A. Person", (now_ns, now_ns + NS_PER_S))
        assert desk.made(change.number, "A. Person").phase == "made"
        later = desk.announce("f_ceo", "x", "A. Person", (now_ns + 1, now_ns + NS_PER_S))
        from labref.model.errors import RefusedError

        with pytest.raises(RefusedError, match="no consent of table 2; window from"):
            desk.made(later.number, "A. Person")
        assert desk.withdraw(later.number, "A. Person").phase == "withdrawn"


def test_no_broker_is_one_clear_error() -> None:
    found = CliRunner().invoke(command, ["changes", "mqtt://127.0.0.1:1/labref/x"])
    assert found.exit_code == 1
    assert "127.0.0.1:1" in found.stderr
