"""What a service may ask of a session and hand in, without holding it up."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from labref.model.errors import InputError
from labref.session.control import Control
from labref.session.enquiries import Enquiries
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab
from labref.trace.reader import open_trace

S = 10**9
CLOCK = "clock729"
LATCHING = "\n[alarms]\nlatching = true\n"


def bench(out: Path | None = None, more: str = "") -> tuple[MemoryBench, Enquiries]:
    made = MemoryBench(comb_lab() + more, out=out)
    return made, Enquiries(made.session, Control(None, made.clock), out)


def gates(made: MemoryBench, count: int, beat: float = 0.0) -> None:
    for _ in range(count):
        made.run({"f_rep": [0.0], "f_ceo": [0.0], "beat": [beat], "wm": [0.0]})


def test_the_past_in_memory_and_the_newest_block() -> None:
    made, asked = bench()
    assert (asked.newest(CLOCK), asked.remembers_from_ns(CLOCK)) == (None, None)
    gates(made, 5, 7.0)
    newest = asked.newest(CLOCK)
    assert newest is not None
    assert newest.frequencies.stop_ns[-1] == made.start_ns + 5 * S
    assert asked.remembers_from_ns(CLOCK) == made.start_ns
    found = asked.remembered(CLOCK, made.start_ns + S, made.start_ns + 3 * S)
    assert [int(r.frequencies.start_ns[0]) for r in found] == [
        made.start_ns + S,
        made.start_ns + 2 * S,
    ]
    assert asked.was_good(CLOCK, made.start_ns, made.start_ns + 5 * S) is True
    with pytest.raises(InputError, match="no transition 'nobody'"):
        asked.newest("nobody")


def test_faults_that_stand_are_a_copy() -> None:
    made, asked = bench()
    assert asked.standing_faults == {}
    made.session._parts.announcer._standing["instrument a: link"] = "no answer"
    standing: Any = asked.standing_faults
    standing.clear()
    assert asked.standing_faults == {"instrument a: link": "no answer"}


def test_an_acknowledged_latching_alarm_clears_and_the_trace_says_who(tmp_path: Path) -> None:
    made, asked = bench(tmp_path / "trace", LATCHING)
    gates(made, 3)
    gates(made, 3, 1e6)
    gates(made, 5)
    assert asked.status.standings[CLOCK].alarms == ("outside tolerance",)
    asked.acknowledge(CLOCK, "another kind", "Ada")
    gates(made, 2)
    assert asked.status.standings[CLOCK].alarms == ("outside tolerance",)
    asked.acknowledge(CLOCK, "outside tolerance", " Ada ")
    gates(made, 2)
    assert asked.status.standings[CLOCK].alarms == ()
    gates(made, 3, 1e6)
    gates(made, 3)
    assert asked.status.standings[CLOCK].alarms == ("outside tolerance",), "seen once, not for ever"
    made.session.stop()
    with open_trace(tmp_path / "trace") as trace:
        texts = [m.text for m in trace.messages() if m.kind == "alarm acknowledged"]
    assert texts[-1] == f"{CLOCK}: outside tolerance: seen by Ada"


@pytest.mark.parametrize(("subject", "by"), [("nobody", "Ada"), (CLOCK, "  ")])
def test_acknowledging_needs_a_transition_and_a_name(subject: str, by: str) -> None:
    _, asked = bench()
    with pytest.raises(InputError):
        asked.acknowledge(subject, "link down", by)


def test_a_service_is_always_remote() -> None:
    class Desk:
        def ask_to_arm(self, name: str, by: str, *, remote: bool = False) -> Any:
            raise InputError(f"remote: {remote}")

    class Runner:
        desk = Desk()

    made, _ = bench()
    asked = Enquiries(made.session, Control(Runner(), made.clock), None)  # type: ignore[arg-type]
    said = asked.act(do="ask", actuator="a", by="Ada", remote=False)
    assert said == {"ok": False, "error": "remote: True", "refused": False}
