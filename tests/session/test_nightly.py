"""The nightly characterisation beside a session: begun in time, told, made up for.

A virtual clock; a night's work is done at once by the same function that the process runs. One
test at the end starts the process itself.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from labref.characterise.night import BROKEN, CHANGED, LIMIT, carry_out
from labref.characterise.record import Row, read_rows
from labref.hookspecs import hookimpl
from labref.model.errors import InputError, LabrefError
from labref.model.fault import Fault
from labref.model.times import NS_PER_DAY, NS_PER_S, parse_iso
from labref.model.verdict import Alarm, AlarmLevel
from labref.session.night_process import NightProcess, beside, processes
from labref.session.nightly import LATE_NS, SETTLE_NS, Job, Nightly
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab
from labref.trace.reader import open_trace

SCHEDULE = """
[nightly.morning]
at = "02:00"
plan = "plan.toml"
"""
PLAN = """
labref_plan = 1
[sources.tonight]
live = true
[parts.light]
kind = "laser"
source = "tonight"
channel = "clock729"
at_most = [[1, 1e-13]]
[parts.wavemeter]
kind = "wavemeter"
source = "tonight"
channel = "wm"
laser = "l729"
"""
GATES = 300
FIRST = parse_iso("2026-11-25T02:00:00Z")


class Ears:
    """Hears what the session tells."""

    def __init__(self) -> None:
        self.alarms: list[Alarm] = []
        self.faults: list[Fault] = []

    @hookimpl
    def on_alarm(self, alarm: Alarm) -> None:
        """Note it."""
        if alarm.subject.startswith("nightly"):
            self.alarms.append(alarm)

    @hookimpl
    def on_fault(self, fault: Fault) -> None:
        """Note it."""
        self.faults.append(fault)


class AtOnce:
    """A job whose work was done by the time that somebody looks."""

    def __init__(self, work: Callable[[], Any]) -> None:
        self.stops = 0
        try:
            work()
            self.how = "exit code 0"
        except LabrefError as error:
            self.how = f"exit code 2: {error}"

    def done(self) -> str | None:
        """How it ended."""
        return self.how

    def stop(self) -> None:
        """End it."""
        self.stops += 1


class Night:
    """A session on a memory wire with its nightly work, both on one virtual clock."""

    def __init__(self, folder: Path, start_ns: int = FIRST - NS_PER_DAY // 2) -> None:
        (folder / "plan.toml").write_text(PLAN)
        self.ears, self.folder = Ears(), folder / "trace"
        self.bench = MemoryBench(
            comb_lab() + SCHEDULE, out=self.folder, extra=[("ears", self.ears)],
            start_ns=start_ns, segment_s=86_400.0,
        )  # fmt: skip
        self.lab = self.bench.lab
        object.__setattr__(self.lab, "file", str(folder / "lab.toml"))
        self.begun: list[int] = []
        self.work: Callable[[str, int], Job] = self.characterise
        self.nightly = Nightly(
            self.lab, self.folder, self.bench.clock, self.begin, self.bench.session.report
        )

    def begin(self, name: str, due_ns: int) -> Job:
        self.begun.append(due_ns)
        return self.work(name, due_ns)

    def characterise(self, name: str, due_ns: int) -> Job:
        return AtOnce(lambda: carry_out(self.lab, name, self.folder, due_ns))

    def to(self, time_ns: int) -> None:
        self.bench.clock.advance_ns(time_ns - self.bench.clock.now_ns())

    def record(self, rng: np.random.Generator, size: float = 1.0) -> None:
        """Five minutes of light from now on."""
        at = self.bench.clock.now_ns()
        for name, sigma in (("f_rep", 1e-7), ("f_ceo", 0.01), ("beat", size), ("wm", 1e6)):
            self.bench.gates(name, rng.normal(0.0, sigma, GATES), at_ns=at)
        self.bench.clock.advance_ns((GATES + 1) * NS_PER_S)
        self.bench.session.step()

    def day(self, day: int, rng: np.random.Generator, size: float = 1.0) -> None:
        """Light before the end of night ``day``, then that end, and what is done at it."""
        self.to(FIRST + day * NS_PER_DAY - NS_PER_DAY // 4)
        self.record(rng, size)
        self.to(FIRST + day * NS_PER_DAY + SETTLE_NS)
        self.steps()

    def steps(self, count: int = 3) -> None:
        for _ in range(count):
            self.nightly.step()
        self.bench.session.step()

    @property
    def rows(self) -> list[Row]:
        return read_rows(self.folder / "nightly" / "morning")


def test_a_night_begins_when_its_last_gates_are_stored_and_once(tmp_path: Path) -> None:
    night = Night(tmp_path)
    rng = np.random.default_rng(1)
    with night.bench.session:
        night.to(FIRST - NS_PER_DAY // 4)
        night.record(rng)
        night.to(FIRST + SETTLE_NS - 1)
        night.steps()
        assert night.begun == []
        night.to(FIRST + SETTLE_NS)
        night.steps()
        assert night.begun == [FIRST]
        night.to(FIRST + NS_PER_DAY // 2)
        night.steps()
        assert night.begun == [FIRST]
    (row,) = night.rows
    assert row.state == "pass"
    assert set(row.figures) == {
        "clock729: deviation at one gate", "clock729: drift per day", "clock729: share not good",
        "part light: deviation at one gate", "part light: drift per day", "part light: offset",
        "part wavemeter: offset in Hz", "part wavemeter: scatter in Hz",
    }  # fmt: skip
    assert row.figures["part wavemeter: scatter in Hz"] == pytest.approx(1e6, rel=0.2)
    kept = night.folder / "nightly" / "morning" / "20261125T020000Z" / "parts" / "light.json"
    assert kept.exists()
    assert night.ears.faults == []


def test_a_change_is_an_alarm_in_the_trace_and_clears_with_the_next_night(tmp_path: Path) -> None:
    night = Night(tmp_path)
    rng = np.random.default_rng(2)
    with night.bench.session:
        for day in range(8):
            night.day(day, rng)
        assert night.ears.alarms == []
        night.day(8, rng, size=20.0)
        night.day(9, rng)
    raised, cleared = night.ears.alarms
    assert (raised.subject, raised.kind) == ("nightly morning", CHANGED)
    assert "clock729: deviation at one gate" in raised.message
    assert "of the 8 nights before" in raised.message
    assert (raised.level, cleared.level) == (AlarmLevel.RAISED, AlarmLevel.CLEAR)
    with open_trace(night.folder) as trace:
        texts = [m.text for m in trace.messages() if m.kind == "alarm raised"]
    assert any(text.startswith(f"nightly morning: {CHANGED}: clock729") for text in texts)


def test_a_limit_of_the_plan_is_an_alarm_of_its_own(tmp_path: Path) -> None:
    night = Night(tmp_path)
    with night.bench.session:
        night.day(0, np.random.default_rng(3), size=300.0)
    (alarm,) = night.ears.alarms
    assert alarm.kind == LIMIT
    assert alarm.message.startswith("light: oadev against light at most")


def test_a_part_that_breaks_is_an_alarm_and_the_others_are_carried_out(tmp_path: Path) -> None:
    night = Night(tmp_path)
    plan = PLAN.replace('channel = "clock729"', 'channel = "clock729"\nmasks = ["none.toml"]')
    (tmp_path / "plan.toml").write_text(plan)
    with night.bench.session:
        night.day(0, np.random.default_rng(10))
    (alarm,) = night.ears.alarms
    assert alarm.kind == BROKEN
    assert alarm.message.startswith("light: mask 'none.toml' is neither a file")
    assert "part wavemeter: offset in Hz" in night.rows[0].figures


def test_nights_of_a_downtime_are_said_and_made_up_for_after_it(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    first = Night(tmp_path)
    with first.bench.session:
        first.day(0, rng)
        first.to(FIRST + NS_PER_DAY // 2)
        first.record(rng)  # then the session ends: half a night is stored
    later = FIRST + 3 * NS_PER_DAY + NS_PER_DAY // 8
    again = Night(tmp_path, start_ns=later)
    with again.bench.session:
        again.steps(10)
        (fault,) = again.ears.faults
        assert fault.where == "nightly morning"
        assert fault.what.startswith(
            "3 nights were not characterised in time, ending 2026-11-26T02:00:00Z to "
            "2026-11-28T02:00:00Z"
        )
        assert again.begun == [FIRST + day * NS_PER_DAY for day in (1, 2, 3)]
        assert [row.state for row in again.rows] == ["pass", "pass", "no readings", "no readings"]
        assert again.bench.session.standing_faults == {}


def test_a_short_delay_is_not_called_missed(tmp_path: Path) -> None:
    night = Night(tmp_path)
    with night.bench.session:
        night.day(0, np.random.default_rng(5))
        night.to(FIRST + NS_PER_DAY + LATE_NS)
        night.steps()
        assert night.ears.faults == []
        night.to(FIRST + 2 * NS_PER_DAY + LATE_NS + 1)  # the computer slept
        night.steps()
        (fault,) = night.ears.faults
        assert fault.what.startswith("a night was not characterised in time, ending 2026-11-27")


def test_a_night_that_fails_is_told_and_the_next_one_is_carried_out(tmp_path: Path) -> None:
    night = Night(tmp_path)
    rng = np.random.default_rng(6)
    plan = tmp_path / "plan.toml"
    with night.bench.session:
        plan.write_text("labref_plan = 7")
        night.day(0, rng)
        (fault,) = night.ears.faults
        assert fault.what.startswith("the night up to 2026-11-25T02:00:00Z failed: exit code 2")
        assert "plan.toml: Object missing required field" in fault.what
        assert "nightly morning" in night.bench.session.standing_faults
        assert night.bench.session.status.passes > 0
        plan.write_text(PLAN)
        night.day(1, rng)
        assert night.bench.session.standing_faults == {}
        assert [row.due_ns for row in night.rows] == [FIRST + NS_PER_DAY]


def test_a_night_that_cannot_begin_and_one_that_never_ends(tmp_path: Path) -> None:
    class Endless(AtOnce):
        def done(self) -> str | None:
            return None

    night = Night(tmp_path)
    rng = np.random.default_rng(7)
    endless = Endless(lambda: None)

    def refused(_name: str, _due: int) -> Job:
        raise OSError("no more processes")

    with night.bench.session:
        night.work = refused
        night.day(0, rng)
        assert night.ears.faults[-1].what.endswith("did not begin: no more processes")
        night.work = lambda _name, _due: endless
        night.day(1, rng)
        night.to(FIRST + NS_PER_DAY + 5 * 3600 * NS_PER_S)
        night.steps()
        assert endless.stops == 0
        night.to(FIRST + NS_PER_DAY + 7 * 3600 * NS_PER_S)
        night.steps()
        assert endless.stops == 1
        assert "took longer than 6 h and was ended" in night.ears.faults[-1].what
        night.work = night.characterise
        night.day(2, rng)
        assert night.bench.session.standing_faults == {}
        night.work = lambda _name, _due: endless
        night.day(3, rng)
        night.nightly.stop()
        assert endless.stops == 2


def test_a_plan_that_cannot_be_read_is_told_at_the_start(tmp_path: Path) -> None:
    night = Night(tmp_path)
    (tmp_path / "plan.toml").unlink()
    with night.bench.session, pytest.raises(InputError, match=r"plan\.toml"):
        beside(night.bench.session, night.folder)


def test_an_end_that_is_none_is_refused_with_the_one_before(tmp_path: Path) -> None:
    night = Night(tmp_path)
    with night.bench.session:
        night.day(0, np.random.default_rng(8))
    with pytest.raises(InputError, match="one ends at 2026-11-25T02:00:00Z"):
        carry_out(night.lab, "morning", night.folder, FIRST + 1)
    with pytest.raises(InputError, match=r"no \[nightly.evening\]; there is morning"):
        carry_out(night.lab, "evening", night.folder, FIRST)


def ended(job: Job) -> str | None:
    assert isinstance(job, NightProcess)
    job._process.wait(300.0)
    return job.done()


def test_the_process_does_the_same_and_says_why_it_could_not(tmp_path: Path) -> None:
    night = Night(tmp_path)
    with night.bench.session:
        night.to(FIRST - NS_PER_DAY // 4)
        night.record(np.random.default_rng(9))
        lab_file = tmp_path / "lab.toml"
        lab_file.write_text(comb_lab() + SCHEDULE)
        begin = processes(night.lab, night.folder)
        said = ended(begin("morning", FIRST))
        assert said is not None
        assert said.startswith("exit code 0: morning, the night up to 2026-11-25T02:00:00Z: pass")
        (row,) = night.rows
        assert "part light: deviation at one gate" in row.figures
        lab_file.write_text("labref = 2")
        assert "schema version 2" in (ended(begin("morning", FIRST)) or "")
    sleeper = NightProcess(["sleep", "600"], tmp_path / "log")
    assert sleeper.done() is None
    sleeper.stop()
    with pytest.raises(OSError, match="no-such-program"):
        NightProcess(["/no-such-program"], tmp_path / "log")
