"""An invented lab for the examples of embedding: no hardware, one clock laser at 729 nm.

Gates of 10 ms in real time; ten gates in every hundred the laser is out of its tolerance. In a
real lab the session comes from the lab file instead:

    plugins = load_plugins()
    session = live_session(labref.load_lab("lab.toml", plugins.tables()), plugins, Path("trace"))
    session.start()
"""

import random
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from labref.config.lab import parse_lab
from labref.model.readings import block
from labref.plugins import load_plugins
from labref.session.memory import MemorySource
from labref.session.session import Session
from labref.testing.labs import comb_lab

GATE_NS = 10_000_000


@contextmanager
def invented_session(out: Path) -> Iterator[Session]:
    """Yield a running session whose gates come from a thread; its trace goes to ``out``."""
    plugins = load_plugins(["tolerance", "evidence"])
    text = comb_lab(("sigma = 1e-5", "sigma = 1e-7")).replace("group =", "gate_s = 0.01\ngroup =")
    source = MemorySource("invented counter")
    session = Session(
        parse_lab(text, "invented.toml", plugins.tables()), [source], plugins, out=out
    )
    ending = threading.Event()

    def count() -> None:
        noise = random.Random(729)
        number = 0
        stop_ns = time.time_ns()
        while not ending.wait(max(0.0, (stop_ns + GATE_NS - time.time_ns()) / 1e9)):
            start_ns, stop_ns = stop_ns, stop_ns + GATE_NS
            number += 1
            beat_hz = noise.gauss(0, 1) + (50_000 if number % 100 >= 90 else 0)
            for channel, hz in (("f_rep", 0.0), ("f_ceo", 0.0), ("wm", 0.0), ("beat", beat_hz)):
                source.put(block(channel, start_ns, stop_ns, hz))
            session.wake()

    thread = threading.Thread(target=count)
    thread.start()
    try:
        with session:
            session.start()
            yield session
    finally:
        ending.set()
        thread.join()
