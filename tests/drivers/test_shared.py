"""Channels of another host: exact, on our clock, unknown when in doubt, never stale."""

from __future__ import annotations

import json
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labref.drivers.base import InstrumentSetup
from labref.drivers.instrument import Instrument
from labref.drivers.programs import program_of
from labref.drivers.shared import OtherClock, SharedProgram
from labref.model.channel import Channel
from labref.model.errors import InputError, LinkError, ReplyError
from labref.model.flags import Flag
from labref.model.times import NS_PER_S, VirtualClock
from labref.session.readers import InlineReader
from labref.transport.memory import MemoryWire

F_REP = Fraction(250_000_000)
WRITTEN = int(Flag.WRITTEN)


class OtherHost:
    """The other session seen from its wire: a clock that is ahead, a way that takes time."""

    def __init__(self, clock: VirtualClock, ahead_ns: int = 0, way_s: float = 0.001) -> None:
        self.clock, self.ahead_ns, self.way_s = clock, ahead_ns, way_s
        self.there, self.answers = True, True
        self._due: list[tuple[float, bytes]] = []

    def connect(self) -> bool:
        self.say_soon({"kind": "alive", "alive": True})
        return self.there

    def hear(self, data: bytes) -> int:
        for line in data.splitlines():
            asked = json.loads(line)
            then_ns = self.clock.now_ns() + round(self.way_s * NS_PER_S) + self.ahead_ns
            answer = {**asked, "kind": "answer", "heard_ns": then_ns, "said_ns": then_ns}
            if self.answers:
                self.say_soon(answer, 2 * self.way_s)
        return len(data)

    def say_soon(self, message: Any, in_s: float = 0.0) -> None:
        text = message if isinstance(message, bytes) else json.dumps(message).encode()
        self._due.append((self.clock.monotonic_s() + in_s, text + b"\n"))
        self._due.sort(key=lambda item: item[0])

    def say(self) -> bytes | None:
        said = b""
        while self._due and self._due[0][0] <= self.clock.monotonic_s() + 1e-9:
            said += self._due.pop(0)[1]
        return said

    def due_s(self) -> float | None:
        return self._due[0][0] if self._due else None

    def gates(self, *offsets: float | None, **more: Any) -> None:
        """Gates of 1 s that have just ended, by the other clock."""
        stop = self.clock.now_ns() + self.ahead_ns
        n = len(offsets)
        stops = [stop - (n - 1 - k) * NS_PER_S for k in range(n)]
        message = {
            "kind": "gates",
            "channel": "f_rep",
            "nominal": "250000000",
            "start_ns": [s - NS_PER_S for s in stops],
            "stop_ns": stops,
            "offset": list(offsets),
            "flags": [WRITTEN] * n,
            "errors": None,
        }
        self.say_soon({**message, **more}, self.way_s)


class Bench:
    def __init__(self, ahead_ns: int = 0, way_s: float = 0.001, **options: Any) -> None:
        self.clock = VirtualClock(start_ns=1_795_000_000 * NS_PER_S)
        self.other = OtherHost(self.clock, ahead_ns, way_s)
        channel = Channel("f_rep_of_comb_host", F_REP - 1)
        setup = InstrumentSetup(
            "comb_host", "memory", "shared-channels", (("f_rep", channel),), options, 1.0
        )
        program = program_of(setup, self.clock)
        wire = MemoryWire(self.other, self.clock)
        self.reader = InlineReader(Instrument(setup, program), wire, self.clock)
        self.reader.start()

    def live(self, seconds: float, *offsets: float | None, **more: Any) -> list[Any]:
        found = []
        for _ in range(round(seconds * 200)):
            found += self.reader.collect()
            self.clock.wait(0.005)
        if offsets:
            self.other.gates(*offsets, **more)
            self.clock.wait(2 * self.other.way_s)
            found += self.reader.collect()
        return found


def rows(found: list[Any]) -> list[tuple[float, int]]:
    return [(float(o), int(f)) for r in found for o, f in zip(r.offset, r.flags, strict=True)]


@pytest.mark.parametrize("ahead_ns", [0, 50_000_000, -3_000_000_000])
def test_gates_come_on_our_clock_and_from_our_nominal(ahead_ns: int) -> None:
    bench = Bench(ahead_ns)
    bench.live(2.0)
    now_ns = bench.clock.now_ns()
    (found,) = bench.live(0, 0.25)
    assert found.channel == "f_rep_of_comb_host"
    assert rows([found]) == [(1.25, WRITTEN)]
    # The reader looks every 5 ms: an answer is held up by that much, and counted as uncertain.
    assert abs(int(found.stop_ns[0]) - now_ns) <= 2_500_001
    assert int(found.stop_ns[0] - found.start_ns[0]) == NS_PER_S


def test_without_a_comparison_of_the_clocks_nothing_is_usable() -> None:
    bench = Bench()
    bench.other.answers = False
    bench.live(2.0)
    assert rows(bench.live(0, 0.25)) == [(1.25, WRITTEN | int(Flag.NOT_SYNCHRONOUS))]


def test_a_slow_way_is_as_uncertain_as_it_is_long() -> None:
    for limit, flag in ((0.2, 0), (0.05, int(Flag.NOT_SYNCHRONOUS))):
        bench = Bench(50_000_000, way_s=0.1, clock_u_s=limit)
        bench.live(2.0)
        assert rows(bench.live(0, 0.25)) == [(1.25, WRITTEN | flag)]


def test_the_last_will_turns_everything_into_gaps_at_once() -> None:
    bench = Bench()
    bench.live(2.0)
    bench.live(0, 0.0)
    bench.other.say_soon({"kind": "alive", "alive": False})
    bench.other.there = False
    found = rows(bench.live(2.5))
    assert len(found) >= 2
    assert all(flags & int(Flag.LINK) for _, flags in found)
    assert any("has ended or died" in fault.text for fault in bench.reader.faults())


def test_silence_is_unknown_even_while_the_other_host_answers() -> None:
    """Never stale-good: 2 gates and the time-out after the last gate, gaps begin."""
    bench = Bench()
    bench.live(2.0)
    bench.live(0, 0.0)
    found = rows(bench.live(6.0))
    assert found
    assert all(flags & int(Flag.LINK) for _, flags in found)
    assert any("no gates of 'f_rep'" in fault.text for fault in bench.reader.faults())


def test_flags_and_errors_of_the_other_host_pass() -> None:
    bench = Bench()
    bench.live(2.0)
    slip = WRITTEN | int(Flag.CYCLE_SLIP)
    (found,) = bench.live(0, 0.5, None, flags=[slip, WRITTEN], errors=[2e-4, None])
    assert rows([found])[0] == (1.5, slip)
    assert int(found.flags[1]) == WRITTEN | int(Flag.GAP)
    assert found.errors[0] == 2e-4


def change(phase: str, number: str = "7") -> dict[str, str]:
    what = {"text": "f_rep + 1 kHz", "by": "A. Person"}
    return {"kind": "change", "number": number, "channel": "f_rep", "phase": phase, **what}


def test_m19_a_change_that_was_made_voids_until_the_lab_file_accepts_it() -> None:
    for options, flag in (({}, int(Flag.SETTINGS)), ({"accepted_changes": ["7"]}, 0)):
        bench = Bench(**options)
        bench.live(2.0)
        bench.other.say_soon(change("announced"))
        assert rows(bench.live(0.5, 0.0)) == [(1.0, WRITTEN)]
        bench.other.say_soon(change("made"))
        assert rows(bench.live(1.0, 0.0)) == [(1.0, WRITTEN | flag)]
        texts = [fault.text for fault in bench.reader.faults()]
        assert "change 7 of f_rep announced by A. Person: f_rep + 1 kHz" in texts


def test_a_withdrawn_change_voids_nothing() -> None:
    bench = Bench()
    for phase in ("announced", "made", "withdrawn"):
        bench.other.say_soon(change(phase))
    bench.live(2.0)
    assert rows(bench.live(0, 0.0)) == [(1.0, WRITTEN)]


@pytest.mark.parametrize(
    "line",
    [
        b"{",
        b"[1]",
        b'{"kind": "gates", "channel": "f_rep"}',
        b'{"kind":"gates","channel":"f_rep","nominal":"x","start_ns":[],"stop_ns":[],'
        b'"offset":[],"flags":[]}',
        b'{"kind":"gates","channel":"f_rep","nominal":"1","start_ns":[2],"stop_ns":[1],'
        b'"offset":[0],"flags":[1]}',
        b'{"kind":"gates","channel":"f_rep","nominal":"1","start_ns":[true],"stop_ns":[1],'
        b'"offset":[0],"flags":[1]}',
        b'{"kind":"gates","channel":"f_rep","nominal":"1","start_ns":[0],"stop_ns":[1],'
        b'"offset":[0],"flags":[99999999]}',
    ],
)
def test_nonsense_is_a_fault_and_no_reading(line: bytes) -> None:
    bench = Bench()
    bench.live(2.0)
    bench.reader.faults()
    bench.other.say_soon(line)
    assert all(flags & int(Flag.LINK) for _, flags in rows(bench.live(0.5)))
    assert [fault.kind for fault in bench.reader.faults()][:1] == ["reply"]


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"clock": 1}, "no option 'clock'"),
        ({"clock_u_s": "soon"}, "clock_u_s is a number"),
        ({"clock_u_s": -1}, "clock_u_s is a number"),
        ({"accepted_changes": "7"}, "is a list"),
    ],
)
def test_mistakes_of_the_lab_file(options: dict[str, Any], says: str) -> None:
    with pytest.raises(InputError, match=says):
        Bench(**options)


@settings(max_examples=300, deadline=None)
@given(
    st.binary(max_size=200)
    | st.builds(
        lambda x: json.dumps(x).encode(),
        st.recursive(
            st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
            lambda inner: (
                st.dictionaries(
                    st.sampled_from(
                        [
                            "kind",
                            "channel",
                            "nominal",
                            "start_ns",
                            "stop_ns",
                            "offset",
                            "flags",
                            "errors",
                            "number",
                            "heard_ns",
                            "said_ns",
                            "alive",
                            "phase",
                        ]
                    ),
                    inner,
                )
                | st.lists(inner, max_size=3)
            ),
            max_leaves=20,
        ),
    )
)
def test_any_bytes_give_readings_or_one_of_our_errors(line: bytes) -> None:
    bench = Bench()
    program = bench.reader.instrument.program
    assert isinstance(program, SharedProgram)
    from labref.drivers.base import Fetched

    try:
        program._understand(line.replace(b"\n", b" "), Fetched(), Flag(0))
    except (ReplyError, LinkError):
        return


def test_the_quickest_comparison_counts_and_stays_in_use() -> None:
    other = OtherClock()
    for way_ns, error_ns in ((10_000, 0), (100_000, 30_000), (2_000_000, -900_000)):
        other.answered(0, 500 + way_ns // 2 + error_ns, 500 + way_ns // 2 + error_ns, way_ns, 1.0)
    known = other.known(2.0)
    assert known is not None
    assert (known.ahead_ns, known.u_ns) == (500, 5001)
    assert other.known(100.0) is None
    with pytest.raises(ReplyError):
        other.answered(10, 0, 100, 20, 0.0)
