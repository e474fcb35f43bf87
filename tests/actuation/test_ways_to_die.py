"""Every yield times every way to die: outputs in the safe set, slew kept, nothing moves after (S4).

The outputs live in a file that the process under test only appends to, as an instrument would
outlive it.
"""

from __future__ import annotations

import json
import os
import signal
from fractions import Fraction
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from labref.actuation.base import Ending
from labref.model.errors import RefusedError

PASSES = 170  # the walk takes about 165

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")


def begun(ab: ModuleType, folder: Path, **more: Any) -> Any:
    b = ab.Bench(folder=folder, **more)
    b.live(0.2)
    b.arm()
    return b


def next_start(ab: ModuleType, folder: Path, volts: Fraction, was_cut_off: bool) -> None:
    """The next start reads back, reports, moves nothing and is disarmed."""
    after = ab.Bench(folder=folder, volts=volts)
    after.live(3)
    assert after.moves() == []
    assert not after.desk.armed
    found = [a for a in after.told if a.phase.value == "found cut off"]
    assert len(found) == int(was_cut_off)
    if was_cut_off:
        assert "Nothing was moved; disarmed" in found[0].text
        assert after.faults
    again = ab.Bench(folder=folder, volts=volts)
    again.live(3)
    assert again.told == []  # reported once


def test_the_walk_covers_every_yield(ab: ModuleType, tmp_path: Path) -> None:
    b = begun(ab, tmp_path)
    b.live(PASSES * ab.PASS_S)
    assert b.told[-1].outcome.ending is Ending.DONE
    assert b.actuators[0].at == 5


@pytest.mark.parametrize("at", range(6))
def test_an_exception_at_every_yield(ab: ModuleType, tmp_path: Path, at: int) -> None:
    b = begun(ab, tmp_path)
    b.actuators[0].raise_at = at
    b.live(25)
    assert b.told[-2].outcome.ending is Ending.FAILED
    assert b.phases()[-1] == "disarmed"
    assert b.harm == []
    assert b.outputs["piezo"].volts == 0
    next_start(ab, tmp_path, b.outputs["piezo"].volts, was_cut_off=False)


def test_sigterm_at_every_pass(ab: ModuleType, tmp_path: Path) -> None:
    """What the session does at SIGTERM: wind down, a few more passes, close."""
    for passes in range(0, PASSES, 3):
        folder = tmp_path / str(passes)
        folder.mkdir()
        b = begun(ab, folder)
        b.live(passes * ab.PASS_S)
        was_done = b.runner.quiet and passes > 10
        b.runner.wind_down("SIGTERM")
        for _ in range(60):
            b.step()
        b.runner.close()
        assert b.runner.quiet
        assert b.harm == []
        assert was_done or b.outputs["piezo"].volts == 0
        next_start(ab, folder, b.outputs["piezo"].volts, was_cut_off=False)


def test_sigterm_without_any_time_left_holds(ab: ModuleType, tmp_path: Path) -> None:
    b = begun(ab, tmp_path)
    b.live(2)
    b.runner.wind_down("SIGTERM")
    b.runner.close()
    moved = len(b.moves())
    for _ in range(100):
        b.clock.wait(0.05)
        b.outputs["piezo"].serve()
    assert len(b.moves()) == moved  # what was on its way was cancelled
    assert b.harm == []


def test_a_dead_link_at_every_pass(ab: ModuleType, tmp_path: Path) -> None:
    for passes in range(0, PASSES, 3):
        folder = tmp_path / str(passes)
        folder.mkdir()
        b = begun(ab, folder)
        b.live(passes * ab.PASS_S)
        was_done = b.runner.quiet and passes > 10
        b.outputs["piezo"].die()
        b.silent = {"piezo"}
        where = b.outputs["piezo"].volts
        b.step([("source", "the link is down")])
        b.live(20)
        assert b.outputs["piezo"].volts == where
        assert not b.desk.armed
        assert was_done or b.runner.quiet
        # The link comes back: nothing that was asked before is done.
        b.outputs["piezo"].dead, b.silent = False, set()
        b.live(20)
        assert b.outputs["piezo"].volts == where
        assert b.harm == []
        b.runner.close()
        next_start(ab, folder, where, was_cut_off=False)


def test_a_link_that_never_answers(ab: ModuleType, tmp_path: Path) -> None:
    b = begun(ab, tmp_path)
    b.live(1.5)
    b.outputs["piezo"].latency_s = 1e9
    b.live(30)
    assert not b.desk.armed
    assert b.harm == []


def test_kill_9_at_every_pass_and_at_every_write(ab: ModuleType, tmp_path: Path) -> None:
    points = [("pass", k) for k in range(0, PASSES, 2)]
    points += [(where, k) for where in ("ahead", "asked") for k in range(26)]
    for number, (where, at) in enumerate(points):
        folder = tmp_path / str(number)
        folder.mkdir()
        child = os.fork()
        if child == 0:
            try:
                _live_and_die(ab, folder, where, at)
            finally:
                os._exit(1)  # it must not come here
        _, status = os.waitpid(child, 0)
        assert os.WIFSIGNALED(status)
        assert os.WTERMSIG(status) == signal.SIGKILL
        seen = [json.loads(line) for line in (folder / "instrument").read_text().splitlines()]
        assert [entry["harm"] for entry in seen if entry["harm"]] == []
        volts = Fraction(seen[-1]["volts"])
        assert abs(volts) <= 2
        text = (folder / "lab.actuation").read_text()
        was_cut_off = text.count('"began"') > text.count('"ended"')
        next_start(ab, folder, volts, was_cut_off)


def _live_and_die(ab: ModuleType, folder: Path, where: str, at: int) -> None:
    b = begun(ab, folder)
    output = b.outputs["piezo"]
    file = (folder / "instrument").open("a", buffering=1)
    exact, port_move, counted = output.effect, output.move, {"ahead": 0, "asked": 0}

    def die_at(point: str) -> None:
        if where == point and counted[point] == at:
            os.kill(os.getpid(), signal.SIGKILL)
        counted[point] += 1

    def effect(to: Fraction, slew: bool = True) -> None:
        exact(to, slew)
        file.write(json.dumps({"volts": str(output.volts), "harm": output.harm}) + "\n")

    def move(to: Fraction, expected: Fraction, agree: Fraction) -> Any:
        die_at("ahead")  # on file, not on the wire
        promise = port_move(to, expected, agree)
        die_at("asked")  # on the wire: the instrument carries it out all the same
        return promise

    output.effect, output.move = effect, move
    file.write(json.dumps({"volts": str(output.volts), "harm": []}) + "\n")
    if where == "pass":
        b.live(at * ab.PASS_S)
        os.kill(os.getpid(), signal.SIGKILL)
    b.live(PASSES * ab.PASS_S)


def test_a_hands_on_lock_survives_a_restart(ab: ModuleType, tmp_path: Path) -> None:
    b = begun(ab, tmp_path)
    b.live(1)
    b.desk.hands_on("somebody", b.clock.now_ns() + 3600 * 10**9)
    b.record.close()  # the process is gone
    after = ab.Bench(folder=tmp_path, start_s=60.0)
    assert "somebody" in after.desk.hands_on_now(after.clock.now_ns())
    late = ab.Bench(folder=tmp_path, start_s=7200.0)
    assert late.desk.hands_on_now(late.clock.now_ns()) == ""


@pytest.mark.parametrize("tail", [b'{"time_ns": 17, "event": "be', b"\x00\x00\xff", b"[1]\n\n"])
def test_a_torn_record_is_read_as_far_as_it_goes(
    ab: ModuleType, tmp_path: Path, tail: bytes
) -> None:
    file = tmp_path / "lab.actuation"
    line = '{"time_ns": 5, "event": "began", "actuator": "script", "by": "x"}\n'
    file.write_bytes(line.encode() + tail)
    next_start(ab, tmp_path, Fraction(0), was_cut_off=True)


def test_hands_on_taken_in_another_session_is_heeded_when_arming(
    ab: ModuleType, tmp_path: Path
) -> None:
    first, second = ab.Bench(folder=tmp_path), ab.Bench(folder=tmp_path)
    for b in (first, second):
        b.live(0.2)
    first.desk.hands_on("somebody", first.clock.now_ns() + 3600 * 10**9)
    with pytest.raises(RefusedError, match="hands-on by somebody"):
        second.arm()
    first.desk.hands_off("somebody")
    first.arm()


def test_without_a_record_nothing_moves(ab: ModuleType, tmp_path: Path) -> None:
    b = ab.Bench(folder=tmp_path / "not there")
    b.live(0.2)
    with pytest.raises(RefusedError, match="write-ahead record"):
        b.arm()
    b.live(2)
    assert b.moves() == []


def test_a_record_that_cannot_be_written_any_more_stops_at_once(
    ab: ModuleType, tmp_path: Path
) -> None:
    b = begun(ab, tmp_path)
    b.live(2)

    def full(*_: Any, **__: Any) -> None:
        raise OSError("no space left")

    b.record.write = full
    b.step()
    moved = len(b.moves())
    b.live(10)
    assert len(b.moves()) <= moved + 1
    assert not b.desk.armed
