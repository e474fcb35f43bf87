"""A small invented record: two channels at 1 s, one at 10 s, and a transition."""

from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from labref.model.readings import Readings
from labref.model.times import VirtualClock, parse_iso
from labref.model.verdict import Frequencies
from labref.trace.layout import ChannelColumn, TraceLayout, TransitionColumn
from labref.trace.live import TraceWriter

GATE_NS = 1_000_000_000
START_NS = parse_iso("2019-03-01T22:30:00Z")
NOMINAL = Fraction("411042129776400.4")
TARGET = Fraction("411042129776393.2")


@pytest.fixture
def layout() -> TraceLayout:
    return TraceLayout(
        (
            ChannelColumn("f_rep", Fraction(250_000_000), attributes={"loop": "in", "u": 1e-3}),
            ChannelColumn("beat729", Fraction(60_000_000), attributes={"kind": "beat"}),
            ChannelColumn("slow", Fraction(1, 3), unit="V", gate_ns=10 * GATE_NS),
        ),
        (TransitionColumn("clock729", NOMINAL, TARGET, 1, "n*f_rep + f_beat"),),
        "labref = 1\n# größer\n",
        {"labref": "0.1.0"},
    )


@pytest.fixture
def start_ns() -> int:
    return START_NS


@pytest.fixture
def clock() -> VirtualClock:
    return VirtualClock(START_NS)


@pytest.fixture
def writer(tmp_path: Path, layout: TraceLayout, clock: VirtualClock) -> TraceWriter:
    return TraceWriter(tmp_path / "record", layout, clock=clock)


def value(name: str, start_ns: np.ndarray) -> np.ndarray:
    """An offset that depends on name and time, so that every mix-up shows."""
    return (start_ns - START_NS) / GATE_NS * 0.125 + len(name)


@pytest.fixture
def offset_of() -> Callable[[str, np.ndarray], np.ndarray]:
    return value


@pytest.fixture
def readings() -> Callable[..., Readings]:
    """``readings(name, first, count, gate_ns=1 s)``: gates number ``first`` and following."""

    def make(name: str, first: float, count: int = 1, gate_ns: int = GATE_NS) -> Readings:
        start = START_NS + round(first * GATE_NS) + np.arange(count) * gate_ns
        flags = np.ones(count, np.uint32)
        return Readings(name, start, start + gate_ns, value(name, start), flags)

    return make


@pytest.fixture
def result() -> Callable[..., tuple[Frequencies, np.ndarray]]:
    """``result(first, states)``: gates of the transition with these states."""

    def make(
        first: int, states: Sequence[int], epoch: int = 1, nominal: str = "411042129776400.4"
    ) -> tuple[Frequencies, np.ndarray]:
        count = len(states)
        start = START_NS + (first + np.arange(count)) * GATE_NS
        offset = value("clock729", start)
        frequencies = Frequencies(
            "clock729",
            nominal,
            epoch,
            start,
            start + GATE_NS,
            offset,
            np.full(count, 0.5),
            np.ones(count, np.uint32),
            offset + float(NOMINAL - TARGET),
            np.zeros(count),
            0.25,
        )
        return frequencies, np.array(states, np.uint8)

    return make
