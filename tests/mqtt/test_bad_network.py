"""A subscriber behind a bad network: never good while nobody who is alive could have said so."""

from __future__ import annotations

import importlib.util
import logging
import random
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

pytest.importorskip("paho.mqtt.client")

from labref_mqtt.follower import Follower

SESSION = "labref/site/comb_host"
MAX_AGE_S = 1.0
DELAY_S = 0.1


def _load(name: str) -> ModuleType:
    path = Path(__file__).parent / f"{name}.py"
    spec = importlib.util.spec_from_file_location(f"mqtt_{name}", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[f"mqtt_{name}"] = module
    spec.loader.exec_module(module)
    return module


class Truth:
    """When the publisher last said good, and whether it may be believed now."""

    def __init__(self, again_s: float) -> None:
        self.again_s = again_s
        self.said_good_s = -1e9
        self.wrong = 0
        self.looked = 0

    def look(self, follower: Any) -> bool | None:
        found: bool | None = follower.is_good(SESSION, "clock729")
        age_s = time.monotonic() - self.said_good_s
        self.looked += 1
        # Good may be as old as two gates of 1 s (the publisher's own limit), the way, and the
        # silence that is allowed; the rest is this thread.
        if found is True and age_s > 2.0 + MAX_AGE_S + DELAY_S + self.again_s + 0.5:
            self.wrong += 1
        return found


@pytest.mark.long
def test_thirty_troubles_and_never_wrongly_good(broker: Any) -> None:
    run_troubles(broker, 30)


def test_two_troubles_and_never_wrongly_good(broker: Any) -> None:
    run_troubles(broker, 2)


def test_five_percent_of_packets_lost_and_never_wrongly_good(broker: Any) -> None:
    run_troubles(broker, 2, 0.05)


@pytest.mark.long
def test_thirty_troubles_with_five_percent_of_packets_lost(broker: Any) -> None:
    run_troubles(broker, 30, 0.05)


def run_troubles(broker: Any, count: int, loss: float = 0.0) -> None:
    hosts, net = _load("test_hosts"), _load("bad_network")
    rng, recovery = random.Random(count), []
    # A packet may be lost twice in a row, or two one behind the other.
    truth = Truth(2 * net.AGAIN_S if loss else 0.0)
    with net.Relay(broker.port, DELAY_S, loss) as relay:
        address = f"mqtt://127.0.0.1:{relay.port}/{SESSION}"
        with Follower(address, MAX_AGE_S) as follower:
            publisher: list[Any] = []

            def begin() -> None:
                table = hosts.MqttTable(broker=broker.address(), channels=["f_rep"])
                publisher[:] = [hosts.Publisher(table, hosts.Lab())]
                publisher[0].start()

            def say(word: int = 1) -> None:
                publisher[0].results([hosts.result(word)])
                if word == 1:
                    truth.said_good_s = time.monotonic()

            def good() -> bool:
                say()
                return truth.look(follower) is True

            begin()
            wait(good)
            for number in range(count):
                trouble = ("stall", "cut", "broker", "bad", "silent")[number % 5]
                spend(rng.uniform(0.0, 0.3), good)
                make(trouble, broker, relay, say)
                wait(lambda: truth.look(follower) is not True)
                spend(rng.uniform(0.2, 1.5), lambda: truth.look(follower))
                relay.stalled = False
                if trouble == "broker":
                    broker.start()
                ended = time.monotonic()
                wait(good)
                recovery.append(time.monotonic() - ended)
            publisher[0].stop("test")
    assert truth.wrong == 0
    assert truth.looked > 10 * count
    assert (relay.lost > 0) == (loss > 0)
    assert max(recovery) < 20
    recovery.sort()
    median, worst = recovery[count // 2], recovery[-1]
    text = "%d troubles, looked %d times; recovery median %.2f s, max %.2f s"
    logging.getLogger("figures").info(text, count, truth.looked, median, worst)


def make(trouble: str, broker: Any, relay: Any, say: Callable[[int], None]) -> None:
    if trouble == "stall":
        relay.stalled = True
    elif trouble == "cut":
        relay.stalled = True
        relay.cut()
    elif trouble == "broker":
        broker.kill()
    elif trouble == "bad":
        say(2)


def wait(holds: Callable[[], bool]) -> None:
    end_s = time.monotonic() + 30
    event = threading.Event()
    while not holds():
        assert time.monotonic() < end_s, "waited in vain"
        event.wait(0.02)


def spend(seconds: float, look: Callable[[], object]) -> None:
    end_s = time.monotonic() + seconds
    event = threading.Event()
    while time.monotonic() < end_s:
        look()
        event.wait(0.02)
