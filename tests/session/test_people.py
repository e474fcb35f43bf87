"""Hands on a laser: unknown, alarms shelved, no actuator moves it; notes in the trace."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from labref.cli.hands_on import command as hands_on_command
from labref.cli.note import command as note_command
from labref.hookspecs import hookimpl
from labref.model.errors import InputError
from labref.model.note import KINDS, Note, note_of
from labref.model.times import iso
from labref.model.verdict import State
from labref.session.control import Control, ControlSocket
from labref.testing import START_NS, MemoryBench
from labref.testing.labs import comb_lab
from labref.trace.reader import open_trace

GOOD: dict[str, Any] = {"f_rep": [0.0], "f_ceo": [0.0], "beat": [0.0], "wm": [0.0]}
BAD = {**GOOD, "beat": [5000.0]}


class Heard:
    def __init__(self) -> None:
        self.alarms: list[Any] = []
        self.notes: list[Note] = []

    @hookimpl
    def on_alarm(self, alarm: Any) -> None:
        self.alarms.append(alarm)

    @hookimpl
    def on_note(self, note: Note) -> None:
        self.notes.append(note)


def bench(heard: Heard, out: Path | None = None, start_ns: int = START_NS) -> MemoryBench:
    return MemoryBench(comb_lab(), extra=[("heard", heard)], out=out, start_ns=start_ns)


def test_a_laser_that_is_worked_on_is_unknown_and_silent_until_the_end(tmp_path: Path) -> None:
    heard = Heard()
    b = bench(heard, tmp_path)
    assert b.run(GOOD).is_good("clock729") is True
    assert b.session.people.hands_on("l729", "A. Person", 5.0) == ("l729",)
    for _ in range(4):
        status = b.run(BAD)
        verdict = status.verdict("clock729")
        assert verdict.state is State.UNKNOWN
        assert verdict.reason.startswith("hands on, A. Person, until 2026-11-25T00:00:06Z")
    assert heard.alarms == []
    b.run(GOOD)
    b.run(GOOD)  # the first gate after the end
    assert b.session.status.is_good("clock729") is True
    assert [note.kind for note in heard.notes] == ["hands on", "hands off"]
    assert "expired" in heard.notes[1].text
    for _ in range(2):
        b.run(BAD)
    assert [alarm.kind for alarm in heard.alarms] == ["outside tolerance"]
    b.session.stop()
    with open_trace(tmp_path) as trace:
        kinds = [message.kind for message in trace.messages()]
        assert kinds[:2] == ["hands on", "hands off"]
        begin = b.start_ns + 10**9
        assert trace.was_good("clock729", begin, begin + 10**9) is None


def test_hands_off_by_hand_ends_it_at_once() -> None:
    heard = Heard()
    b = bench(heard)
    b.run(GOOD)
    b.session.people.hands_on("clock729", "A", 3600)
    assert b.run(GOOD).is_good("clock729") is None
    assert b.session.people.hands_off("all", "B") == ("l729",)
    assert b.run(GOOD).is_good("clock729") is True
    assert heard.notes[-1].by == "B"


def test_an_alarm_that_stood_before_neither_clears_nor_rises_meanwhile() -> None:
    heard = Heard()
    b = bench(heard)
    b.run(GOOD)
    b.run(BAD)
    assert len(heard.alarms) == 1
    b.session.people.hands_on("l729", "A", 3)
    for _ in range(2):
        b.run(GOOD)
    assert len(heard.alarms) == 1
    for _ in range(4):
        b.run(GOOD)
    assert [alarm.level.value for alarm in heard.alarms] == ["raised", "clear"]


def test_it_is_remembered_over_a_restart_and_by_a_lab_without_actuators(tmp_path: Path) -> None:
    first = bench(Heard(), tmp_path)
    first.run(GOOD)
    assert first.session.actuation is None
    first.session.people.hands_on("l729", "A", 3600)
    first.session.stop()
    again = bench(Heard(), tmp_path, START_NS + 10**10)
    assert again.run(GOOD).verdict("clock729").reason.startswith("hands on, A")
    (tmp_path / "hands_on.json").write_text("nonsense")
    again.session.stop()
    assert bench(Heard(), tmp_path, START_NS + 10**11).session.people.state() == {}


def test_the_lasers_actuators_are_vetoed_and_no_others() -> None:
    people = bench(Heard()).session.people
    assert people.veto(["clock729"]) == ""
    people.hands_on("l729", "A", 60)
    assert people.veto(["clock729"]).startswith("l729: hands on, A")
    assert people.veto(["another lab's"]) == ""


@pytest.mark.parametrize(("name", "by", "seconds"), [("l1", "A", 1), ("l729", " ", 1),
    ("l729", "a: b", 1), ("l729", "A", 0), ("l729", "A", 1e9)])  # fmt: skip
def test_what_makes_no_sense_is_refused(name: str, by: str, seconds: float) -> None:
    with pytest.raises(InputError):
        bench(Heard()).session.people.hands_on(name, by, seconds)


def test_the_commands_reach_a_running_session_and_an_ended_record(tmp_path: Path) -> None:
    heard = Heard()
    b = bench(heard, tmp_path)
    b.run(GOOD)
    cli, folder = CliRunner(), ["--folder", str(tmp_path), "--by", "A"]
    with ControlSocket(Control(None, b.clock, b.session.people), tmp_path):
        done = cli.invoke(hands_on_command, ["l729", "--for", "2h", *folder])
        assert "hands on by A: l729" in done.output
        cli.invoke(note_command, ["fibre realigned", "--about", "l729", *folder])
        assert "hands off: l729" in cli.invoke(hands_on_command, ["l729", "--end", *folder]).output
        assert cli.invoke(hands_on_command, ["l729", *folder]).exit_code == 2
    b.run(GOOD)
    b.session.stop()
    assert cli.invoke(hands_on_command, ["l729", "--end", *folder]).exit_code == 1
    assert cli.invoke(note_command, ["lid closed", *folder]).output == "noted\n"
    with open_trace(tmp_path) as trace:
        found = [note_of(m.time_ns, m.kind, m.text) for m in trace.messages()]
    notes = [note for note in found if note is not None]
    assert [n.text for n in notes if n.kind == "note"] == ["fibre realigned", "lid closed"]
    assert notes[0].about == "l729"
    assert iso(notes[0].time_ns, 0) == "2026-11-25T00:00:01Z"


@given(st.sampled_from(KINDS), st.text(min_size=1).filter(str.strip))
def test_a_note_comes_back_from_its_message(kind: str, text: str) -> None:
    for about in ("", "l729"):
        note = Note(1, kind, text, "A. Person", about)
        assert note_of(1, kind, note.line) == note
