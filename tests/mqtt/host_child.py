"""One host in a process of its own.

host_child.py publish ADDRESS OFFSET_NS     says good twenty times a second, its clock off
host_child.py follow ADDRESS MAX_AGE_S      prints what it believes, as JSON, 50 times a second
"""

from __future__ import annotations

import importlib.util
import json
import sys
import threading
import time
from pathlib import Path
from types import ModuleType


def _hosts() -> ModuleType:
    spec = importlib.util.spec_from_file_location(
        "mqtt_hosts", Path(__file__).parent / "test_hosts.py"
    )
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def publish(address: str, offset_ns: int) -> None:
    """Say good for ever."""
    true = time.time_ns
    time.time_ns = lambda: true() + offset_ns
    hosts, pause = _hosts(), threading.Event()
    publisher = hosts.Publisher(hosts.MqttTable(broker=address), hosts.Lab())
    publisher.start()
    while True:
        publisher.results([hosts.result(1)])
        pause.wait(0.05)


def follow(address: str, max_age_s: float) -> None:
    """Tell what is believed; the monotonic clock is the kernel's, the same in every process."""
    from labref_mqtt.follower import Follower

    pause = threading.Event()
    with Follower(address, max_age_s) as follower:
        while True:
            good = follower.is_good("labref/site/comb_host", "clock729")
            sys.stdout.write(json.dumps([time.monotonic(), good]) + "\n")
            sys.stdout.flush()
            pause.wait(0.02)


if __name__ == "__main__":
    if sys.argv[1] == "publish":
        publish(sys.argv[2], int(sys.argv[3]))
    else:
        follow(sys.argv[2], float(sys.argv[3]))
