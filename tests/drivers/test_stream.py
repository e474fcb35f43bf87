"""A free-running counter's lines: index, lost gates, bursts, settings in comments."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from labref.drivers.base import Fetched, InstrumentSetup
from labref.drivers.catalogue import Catalogue
from labref.drivers.programs import program_of
from labref.drivers.stream import StreamProgram
from labref.model.channel import Channel
from labref.model.errors import InputError, LinkError, ReplyError
from labref.model.flags import Flag
from labref.model.times import NS_PER_S, VirtualClock
from labref.transport.blocking import Transport
from labref.transport.memory import AnsweringPeer, MemoryWire

T_NS = NS_PER_S // 10
START_NS = 1_790_000_000 * NS_PER_S
PLAIN = {
    "about": "test",
    "program": "stream",
    "identify": "",
    "errors": "",
    "inputs": {"*": {}},
    "stream": {"separator": " "},
}


class Bench:
    """A stream on a virtual clock; `line` says one at a given time."""

    def __init__(
        self,
        dialect: str = "line-counter",
        table: object = None,
        gate_ns: int = T_NS,
        **options: object,
    ):
        self.clock = VirtualClock(START_NS)
        self.peer = AnsweringPeer(lambda line: None, self.clock)
        channels = (Channel("a", Fraction(60_000_000), gate_ns=gate_ns),)
        channels += (Channel("b", Fraction(70_000_000), gate_ns=gate_ns),)
        setup = InstrumentSetup(
            "s", "memory", dialect, tuple(zip("12", channels, strict=True)), options, 0.5
        )
        catalogue = Catalogue(tables={dialect: table} if table else {})  # type: ignore[dict-item]
        program = program_of(setup, self.clock, catalogue)
        assert isinstance(program, StreamProgram)
        self.program = program
        self.transport = Transport(MemoryWire(self.peer, self.clock), self.clock)
        self.transport.open()
        self.transport.perform(program.begin())

    def line(self, at_s: float, text: str) -> None:
        self.peer.later(at_s - self.clock.monotonic_s(), text.encode() + b"\r\n")

    def gates(self, first: int, last: int, index: bool = True) -> None:
        for k in range(first, last + 1):
            number = f"{k} " if index else ""
            self.line(0.1 * (k + 1), f"{number}6000000{k % 10}.5 70000000.25")

    def fetch(self, rounds: int = 1) -> Fetched:
        total = Fetched()
        for _ in range(rounds):
            fetched = self.transport.perform(self.program.fetch())
            total.blocks += fetched.blocks
            total.notes += fetched.notes
        return total


@pytest.mark.parametrize("dialect", ["line-counter", "plain"])
def test_a_fast_stream_may_be_held_up_for_longer_than_a_thousand_gates(dialect: str) -> None:
    """A busy host holds lines up for 0.2 s: 2000 gates of 0.1 ms, and none of them is lost."""
    bench = Bench(dialect, None if dialect == "line-counter" else PLAIN, gate_ns=100_000)
    number = (lambda k: f"{k} ") if dialect == "line-counter" else (lambda _: "")
    for k in range(4000):
        # The first of them comes alone, a little earlier than the rest.
        held_s = 0.29997 + (k > 1000) * 3e-5 if 1000 <= k < 3000 else 1e-4 * (k + 1)
        bench.line(held_s, f"{number(k)}60000000.5 70000000.25")
    values: list[float] = []
    flags: list[int] = []
    while len(values) < 3990:
        fetched = bench.fetch()
        assert not fetched.notes
        values += column(fetched, "a", "offset")
        flags += column(fetched, "a", "flags")
    assert set(values) == {0.5}
    assert set(flags) == {1}


def column(fetched: Fetched, name: str, what: str) -> list[float]:
    return [
        value for b in fetched.blocks if b.channel == name for value in getattr(b, what).tolist()
    ]


def test_gates_are_stamped_by_their_index_and_touch() -> None:
    bench = Bench()
    bench.gates(0, 20)
    fetched = bench.fetch(21)
    assert column(fetched, "a", "offset")[:3] == [1.5, 2.5, 3.5]  # the first line is dropped
    assert set(column(fetched, "b", "offset")) == {0.25}
    starts = column(fetched, "a", "start_ns")
    assert set(np.diff(starts)) == {T_NS}
    assert starts[0] == START_NS + T_NS
    assert not fetched.notes


def test_lines_that_come_together_are_one_block() -> None:
    bench = Bench()
    bench.gates(0, 1)
    for k in range(2, 12):
        bench.line(0.7, f"{k} 60000000.5 70000000.25")
    bench.fetch(2)
    fetched = bench.fetch()
    assert [len(block) for block in fetched.blocks] == [10, 10]


def test_a_gap_in_the_numbers_is_lost_gates() -> None:
    bench = Bench()
    bench.gates(0, 5)
    bench.gates(9, 12)
    fetched = bench.fetch(10)
    flags = column(fetched, "a", "flags")
    assert [int(f) & int(Flag.GAP) != 0 for f in flags] == [False] * 5 + [True] * 3 + [False] * 4
    assert set(np.diff(column(fetched, "a", "start_ns"))) == {T_NS}
    assert fetched.notes == ["3 gates lost"]


def test_without_numbers_a_late_line_after_lost_gates_is_recognised() -> None:
    bench = Bench("plain", PLAIN)
    bench.gates(0, 20, index=False)
    bench.gates(24, 30, index=False)
    fetched = bench.fetch(27)
    flags = np.array(column(fetched, "a", "flags"))
    assert ((flags & int(Flag.GAP)) != 0).sum() == 3
    assert fetched.notes == ["3 gates lost"]
    assert set(np.diff(column(fetched, "a", "start_ns"))) == {T_NS}


def test_without_numbers_a_held_up_burst_loses_nothing() -> None:
    bench = Bench("plain", PLAIN)
    bench.gates(0, 20, index=False)
    for k, at_s in zip(range(21, 26), (2.5, 2.52, 2.54, 2.56, 2.6), strict=True):
        bench.line(at_s, f"6000000{k % 10}.5 70000000.25")
    fetched = bench.fetch(22)
    while len(column(fetched, "a", "offset")) < 25:
        more = bench.fetch()
        fetched.blocks += more.blocks
        fetched.notes += more.notes
    assert not fetched.notes
    assert set(column(fetched, "a", "flags")) == {int(Flag.WRITTEN)}
    assert set(np.diff(column(fetched, "a", "start_ns"))) == {T_NS}


def test_a_number_that_falls_is_refused() -> None:
    bench = Bench()
    bench.gates(0, 5)
    bench.line(0.7, "0 60000000 70000000")
    bench.fetch(6)
    with pytest.raises(ReplyError, match="gate 0 follows gate 5"):
        bench.fetch()


def test_nonsense_is_a_flagged_gate_and_the_next_line_is_good() -> None:
    bench = Bench("plain", PLAIN)
    bench.gates(0, 3, index=False)
    bench.line(0.5, "60000000.5")
    bench.line(0.6, "60000000.5 70000000.25")
    fetched = bench.fetch(6)
    flags = [int(f) for f in column(fetched, "a", "flags")]
    assert flags[-2] == int(Flag.WRITTEN | Flag.GAP | Flag.UNITS)
    assert flags[-1] == int(Flag.WRITTEN)
    assert "1 fields do not fit" in fetched.notes[0]


def test_a_silent_stream_is_a_dead_link() -> None:
    bench = Bench()
    bench.gates(0, 3)
    bench.fetch(4)
    with pytest.raises(LinkError, match="no complete reply"):
        bench.fetch()


def test_settings_in_comments_are_compared() -> None:
    bench = Bench(weighting="LAMB")
    bench.line(0.01, "# gate_s=0.1 weighting=LAMB")
    bench.gates(0, 2)
    fetched = bench.fetch(4)
    assert set(column(fetched, "a", "flags")) == {int(Flag.WRITTEN)}
    bench.line(0.31, "# gate_s=1 weighting=PI")
    bench.gates(3, 5)
    fetched = bench.fetch(4)
    assert {int(f) & int(Flag.SETTINGS) for f in column(fetched, "a", "flags")[1:]} == {
        int(Flag.SETTINGS)
    }


def test_values_with_names_are_found_by_name() -> None:
    table = {**PLAIN, "stream": {"separator": ",", "pairs": "="}}
    bench = Bench("pairs", table)
    for k in range(4):
        bench.line(0.1 * (k + 1), f"2=70000001,index={k},1=60000002")
    fetched = bench.fetch(4)
    assert set(column(fetched, "a", "offset")) == {2.0}
    assert set(column(fetched, "b", "offset")) == {1.0}
    bench.line(0.5, "index=4,1=60000002")
    assert "no value named '2'" in bench.fetch().notes[0]


def test_a_column_that_does_not_exist_is_named() -> None:
    table = {**PLAIN, "stream": {"separator": " ", "columns": ["index", "1"]}}
    with pytest.raises(InputError, match="no column '2'; columns: index, 1"):
        Bench("short", table)


def test_gates_of_another_length_are_flagged() -> None:
    bench = Bench()
    bench.gates(0, 30)
    for k in range(31, 60):
        bench.line(3.1 + 0.05 * (k - 30), f"{k} 60000000 70000000")
    fetched = bench.fetch(60)
    assert int(column(fetched, "a", "flags")[-1]) & int(Flag.SETTINGS)
    assert "gates do not arrive every 0.1 s" in fetched.notes
