"""Hosts that are hosts to each other: cables pulled, sessions killed, clocks apart, late comers."""

from __future__ import annotations

import contextlib
import importlib.util
import json
import logging
import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

pytest.importorskip("paho.mqtt.client")

HERE = Path(__file__).parent
TOPIC = "labref/site/comb_host"
MAX_AGE_S = 1.0
# Good may be as old as two gates of 1 s (the publisher's own limit) and the silence that is
# allowed; the rest is the processes' own lateness on a loaded machine.
LONGEST_GOOD_S = 2.0 + MAX_AGE_S + 0.5
PATIENCE_S = 40.0


def _load(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(f"mqtt_{name}", HERE / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


class Site:
    """A broker, a comb host and a laser table, each with a network of its own."""

    def __init__(self, net: ModuleType, hosts: Any, folder: Path, mosquitto: str) -> None:
        self._net, self.hosts = net, hosts
        self._children: list[subprocess.Popen[str]] = []
        config = folder / "broker.conf"
        config.write_text(net.configuration(folder))
        self._start(net.BROKER, mosquitto, "-c", str(config))
        self.publisher: subprocess.Popen[str] | None = None
        self.seen: list[tuple[float, bool | None]] = []

    def _start(self, host: str, *words: str) -> subprocess.Popen[str]:
        child = subprocess.Popen(
            self.hosts.inside(host, *words),
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        )  # fmt: skip
        self._children.append(child)
        return child

    def _python(self, host: str, *words: str) -> subprocess.Popen[str]:
        address = f"mqtt://{self._net.ADDRESS[host]}.1:18830/{TOPIC}"
        script = str(HERE / "host_child.py")
        return self._start(host, sys.executable, script, words[0], address, *words[1:])

    def publish(self, offset_ns: int = 0) -> None:
        self.publisher = self._python(self._net.COMB, "publish", str(offset_ns))

    def kill_publisher(self) -> None:
        assert self.publisher is not None
        self.publisher.send_signal(signal.SIGKILL)
        self.publisher.wait()

    def follow(self) -> None:
        child = self._python(self._net.TABLE, "follow", str(MAX_AGE_S))

        def read() -> None:
            assert child.stdout is not None
            for line in child.stdout:
                when, good = json.loads(line)
                self.seen.append((when, good))

        threading.Thread(target=read, daemon=True).start()

    def believes(self) -> bool | None:
        """What the laser table said last; nothing recent counts as unknown."""
        return self.seen[-1][1] if self.seen else None

    def close(self) -> None:
        for child in reversed(self._children):
            child.kill()
            child.wait()
            if child.stdout is not None:
                child.stdout.close()


@pytest.fixture
def site(
    tmp_path: Path, need_program: Any, needs_namespaces: Callable[[str], None]
) -> Iterator[Site]:
    need_program("ip")
    mosquitto, net = need_program("mosquitto"), _load("namespaces")
    with contextlib.ExitStack() as stack:
        try:
            hosts = stack.enter_context(net.Hosts())
        except net.NotPermittedError as error:
            needs_namespaces(str(error))
            raise
        made = Site(net, hosts, tmp_path, mosquitto)
        stack.callback(made.close)
        yield made


def until(holds: Callable[[], bool], what: str) -> float:
    """Seconds until it holds; bounded."""
    begun_s, pause = time.monotonic(), threading.Event()
    while not holds():
        assert time.monotonic() < begun_s + PATIENCE_S, f"waited in vain: {what}"
        pause.wait(0.02)
    return time.monotonic() - begun_s


def wrongly_good(site: Site, from_s: float, to_s: float) -> int:
    """Looks that said good while nothing could have told the table so for too long."""
    return sum(
        good is True and from_s + LONGEST_GOOD_S < when < to_s for when, good in list(site.seen)
    )


def strike(site: Site, trouble: str, last_s: float) -> tuple[int, float]:
    """One trouble from begin to end: (looks that were wrongly good, seconds to good again)."""
    host = {"publisher cut off": "lbcomb", "table cut off": "lbtable"}.get(trouble)
    begun_s, pause = time.monotonic(), threading.Event()
    if host is not None:
        site.hosts.link(host, "down")
    else:
        site.kill_publisher()
    until(lambda: site.believes() is not True, f"unknown while {trouble}")
    pause.wait(last_s)
    ended_s = time.monotonic()
    if host is not None:
        site.hosts.link(host, "up")
    else:
        site.publish()
    back_s = until(lambda: site.believes() is True, f"good after {trouble}")
    return wrongly_good(site, begun_s, ended_s), back_s


def run(site: Site, troubles: list[str], rng: random.Random) -> None:
    site.publish(offset_ns=50_000_000)  # the comb host's clock is 50 ms early
    pause = threading.Event()
    pause.wait(1.0)
    site.follow()  # late: what is retained tells it
    until(lambda: site.believes() is True, "good at first")
    wrong, back_s = 0, []
    for trouble in troubles:
        pause.wait(rng.uniform(0.0, 0.3))
        struck, seconds = strike(site, trouble, rng.uniform(0.2, 2.0))
        wrong += struck
        back_s.append(seconds)
    assert wrong == 0
    back_s.sort()
    text = "%d troubles, %d looks; good again after median %.2f s, max %.2f s"
    figures = len(back_s), len(site.seen), back_s[len(back_s) // 2], back_s[-1]
    logging.getLogger("figures").info(text, *figures)


def test_cables_and_sessions_between_hosts(site: Site) -> None:
    run(site, ["table cut off", "killed", "publisher cut off"], random.Random(1))


@pytest.mark.long
def test_many_cables_and_sessions_between_hosts(site: Site) -> None:
    rng = random.Random(2)
    run(
        site, [rng.choice(["table cut off", "killed", "publisher cut off"]) for _ in range(40)], rng
    )
