"""A gapless counter read in blocks."""

from __future__ import annotations

import struct
from fractions import Fraction

import numpy as np
import pytest

from labref.drivers.base import Fetched, InstrumentSetup
from labref.drivers.blocks import BlockProgram
from labref.drivers.programs import program_of
from labref.model.channel import Channel
from labref.model.errors import LinkError, ReplyError
from labref.model.flags import Flag
from labref.model.times import NS_PER_S, VirtualClock
from labref.transport.blocking import Transport
from labref.transport.memory import AnsweringPeer, MemoryWire

T_NS = NS_PER_S // 1000


class Bench:
    """1 ms gates of two inputs; the peer computes how many there are by its own clock."""

    def __init__(self, binary: bool = True) -> None:
        self.clock = VirtualClock(1_790_000_000 * NS_PER_S)
        self.binary = binary
        self.taken = 0
        self.skip = 0
        self.stopped = False
        self.reply: bytes | None = None
        self.reference = "EXT"
        self.peer = AnsweringPeer(self.answer, self.clock)
        channels = (Channel("a", Fraction(250_000_000), gate_ns=T_NS),)
        channels += (Channel("b", Fraction("60000000.1"), gate_ns=T_NS),)
        dialect = "scpi-counter-gapless" + ("" if binary else "-ascii")
        setup = InstrumentSetup("s", "memory", dialect, tuple(zip("12", channels, strict=True)))
        program = program_of(setup, self.clock)
        assert isinstance(program, BlockProgram)
        self.program = program
        self.transport = Transport(MemoryWire(self.peer, self.clock), self.clock)
        self.transport.open()
        self.transport.perform(program.begin())

    @property
    def ready(self) -> int:
        elapsed = 0 if self.stopped else int(self.clock.monotonic_s() * 1000 + 1e-6)
        return max(0, elapsed - self.taken)

    def answer(self, line: bytes) -> bytes | None:
        text = line.decode()
        if text.startswith(":DATA:REM?"):
            return self.data(int(text.split()[1]))
        if not text.rstrip("?;").strip() or "?" not in text:
            return None
        replies = [
            {
                ":DATA:POIN?": str(self.ready),
                ":SYST:ERR?": '0,"No error"',
                ":SENS:FREQ:APER?": "0.001",
                ":SENS:FREQ:GAPL?": "1",
                ":SENS:ROSC:SOUR?": self.reference,
            }[unit]
            for unit in text.split(";")
        ]
        return (";".join(replies) + "\n").encode()

    def data(self, count: int) -> bytes:
        if self.reply is not None:
            return self.reply
        first, self.taken = self.taken + self.skip, self.taken + count
        rows = [(float(first + k), 250_000_000.0 + k, 60_000_000.5) for k in range(count)]
        if self.binary:
            data = b"".join(struct.pack(">3d", *row) for row in rows)
            return b"#%d%d%s\n" % (len(str(len(data))), len(data), data)
        texts = [f"{int(n)},{a},{b}" for n, a, b in rows]
        return (",".join(texts) + "\n").encode()

    def fetch(self) -> Fetched:
        return self.transport.perform(self.program.fetch())


@pytest.mark.parametrize("binary", [True, False])
def test_all_new_gates_come_as_one_block_per_channel(binary: bool) -> None:
    bench = Bench(binary)
    counts, starts = [], []
    for _ in range(12):
        fetched = bench.fetch()
        if fetched.blocks:
            a, b = fetched.blocks
            counts.append(len(a))
            starts += a.start_ns.tolist()
            np.testing.assert_array_equal(a.offset, np.arange(len(a)))
            np.testing.assert_array_equal(b.offset, 0.4)
            assert a.usable.all()
            np.testing.assert_array_equal(a.start_ns, b.start_ns)
    assert counts[1:] == [100] * (len(counts) - 1)
    assert set(np.diff(starts)) == {T_NS}


def test_gates_that_were_lost_are_counted_over() -> None:
    bench = Bench()
    last = [bench.fetch() for _ in range(4)][-1].blocks[0]
    bench.taken += 7
    bench.skip = 0
    fetched = bench.fetch()
    assert fetched.notes == ["7 gates lost in the instrument"]
    assert fetched.blocks[0].start_ns[0] - last.stop_ns[-1] == 7 * T_NS


def test_gates_whose_numbers_fall_are_refused() -> None:
    bench = Bench()
    for _ in range(4):
        bench.fetch()
    bench.skip = -50
    with pytest.raises(ReplyError, match="follows gate"):
        bench.fetch()


def test_a_wrong_length_is_refused() -> None:
    bench = Bench()
    bench.fetch()
    bench.reply = b"#220" + bytes(20) + b"\n"
    with pytest.raises(ReplyError, match="whole rows"):
        bench.fetch()


def test_special_numbers_in_a_block_are_no_frequencies() -> None:
    bench = Bench()
    bench.fetch()
    values = [0.0, 9.9e37, 9.91e37, 1.0, float("nan"), float("-inf")]
    data = struct.pack(">6d", *values)
    bench.reply = b"#248" + data + b"\n"
    a, b = bench.fetch().blocks
    assert np.isnan(a.offset).all()
    assert np.isnan(b.offset).all()
    saturated, gap = int(Flag.WRITTEN | Flag.SATURATED), int(Flag.WRITTEN | Flag.GAP)
    assert a.flags.tolist() == [saturated, gap]
    assert b.flags.tolist() == [gap, saturated]


def test_a_counter_that_answers_but_does_not_count_is_a_dead_link() -> None:
    bench = Bench()
    bench.stopped = True
    for _ in range(20):
        assert not bench.fetch().blocks
    bench.clock.wait(2.0)
    with pytest.raises(LinkError, match="brings no gates"):
        bench.fetch()


def test_an_internal_time_base_flags_every_gate_within_a_second() -> None:
    bench = Bench()
    for _ in range(3):
        bench.fetch()
    bench.reference = "INT"
    blocks = [bench.fetch().blocks for _ in range(12)]
    assert (blocks[-1][0].flags & int(Flag.REFERENCE)).all()


def test_offsets_from_binary_are_exact_to_one_rounding() -> None:
    from labref.drivers.blocks import _offsets, _split

    nominal = Fraction("60000000.1")
    values = np.random.default_rng(1).normal(60_000_000, 1e3, 1000)
    offset, _ = _offsets(values, _split(Channel("x", nominal)))
    exact = [float(Fraction(v) - nominal) for v in values.tolist()]
    np.testing.assert_allclose(offset, exact, rtol=3e-16, atol=1e-15)
