"""Relocking: right tooth or nothing, order, safety (S2 to S7, M17, M19)."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from labref.actuation.base import Ending
from labref.config.lab import parse_lab
from labref.model.errors import LabFileError, RefusedError


def armed(bench: ModuleType, folder: Path, *changes: tuple[str, str], **more: Any) -> Any:
    w = bench.World(folder, 1, *changes, **more)
    w.live(5)
    assert w.good() is True
    w.arm()
    w.live(0.5)
    return w


def test_disarmed_it_moves_nothing_and_the_transition_is_unknown(
    bench: ModuleType, tmp_path: Path
) -> None:
    w = bench.World(tmp_path)
    w.live(5)
    w.lose(-90e6)
    w.live(10)
    assert w.piezo.moves == w.switch.moves == 0
    assert w.good() is None
    assert w.heard.attempts == []


@pytest.mark.parametrize("thrown", [-90e6, 60e6, 180e6, -230e6])
def test_a_lost_lock_is_found_closed_and_verified(
    bench: ModuleType, tmp_path: Path, thrown: float
) -> None:
    w = armed(bench, tmp_path)
    w.lose(thrown)
    states = set()
    for _ in range(400):
        w.step()
        if w.session.actuation.quiet and w.good():
            break
        if not w.ended():
            states.add(w.good())
    assert True not in states  # never good before it is verified
    assert w.good() is True
    assert w.tooth == 0
    outcome = w.ended()[-1].outcome
    assert outcome.ending is Ending.DONE
    assert w.piezo.harm == w.switch.harm == []
    by_name = {record.name: record for record in outcome.integers}
    assert by_name["lasers.a.n"].value == 1_600_000
    assert by_name["lasers.a.n"].k == 5
    assert by_name["lasers.a.n"].found_ns == w.ended()[-1].time_ns
    assert "confirmed by its history, line_b" in by_name["lasers.a.n"].evidence


def test_m17_a_wrong_tooth_is_left_and_the_right_one_found(
    bench: ModuleType, tmp_path: Path
) -> None:
    # The laser jumps by a whole tooth and its lock holds at once: lock and beat read right.
    w = armed(bench, tmp_path, second=True)
    w.lose(bench.F_REP - 5e6)
    w.live(1)
    assert w.tooth == 1
    assert w.good() is not True
    w.live(60)
    assert w.tooth == 0
    assert w.good() is True
    assert w.ended()[-1].outcome.ending is Ending.DONE


def test_a_lock_that_never_opened_is_not_opened_on_the_word_of_one_wavemeter(
    bench: ModuleType, tmp_path: Path
) -> None:
    """Its channel may have stepped by one repetition rate as well as the laser."""
    for jumps in (True, False):
        w = armed(bench, tmp_path)
        if jumps:
            w.lose(bench.F_REP - 5e6)
        else:
            w.bias_hz["a"] = bench.F_REP
        w.live(30)
        assert w.ended()[-1].outcome.ending is Ending.REFUSED
        assert w.piezo.moves == w.switch.moves == 0
        assert w.good() is not True
        w.session.stop()


def test_m17_a_wavemeter_that_stepped_by_one_tooth_is_refused_not_believed(
    bench: ModuleType, tmp_path: Path
) -> None:
    w = armed(bench, tmp_path)
    w.lose(bench.F_REP - 60e6)
    w.bias_hz = {"a": -bench.F_REP, "b": -bench.F_REP, "2": 0.0}
    w.live(60)
    assert w.tooth == 1  # it looked right to the wavemeter
    assert w.ended()[-1].outcome.ending is Ending.REFUSED
    assert "line_b" in w.ended()[-1].outcome.text
    assert w.good() is not True
    assert not w.session.actuation.desk.armed  # a person has to look


def test_m17_one_channel_that_stepped_needs_a_second_wavemeter(
    bench: ModuleType, tmp_path: Path
) -> None:
    w = armed(bench, tmp_path, second=True)
    w.lose(bench.F_REP - 60e6)
    w.bias_hz = {"a": -bench.F_REP, "b": 0.0, "2": 0.0}
    w.live(60)
    assert w.tooth == 1
    assert w.ended()[-1].outcome.ending is Ending.REFUSED
    assert "other_at_a" in w.ended()[-1].outcome.text


def test_without_enough_confirmations_it_is_refused(bench: ModuleType, tmp_path: Path) -> None:
    """A session that never saw the laser good has no history."""
    w = bench.World(tmp_path)
    w.lose(-90e6)
    w.live(1)
    w.arm()
    w.live(40)
    assert w.tooth == 0
    assert w.ended()[-1].outcome.ending is Ending.REFUSED
    assert "1 of 2 confirmations" in w.ended()[-1].outcome.text


def test_a_light_that_was_never_lost_needs_no_history_to_be_believed_again(
    bench: ModuleType, tmp_path: Path
) -> None:
    """The session begins with it on a wrong tooth; somebody brings it back, the lock closed."""
    w = bench.World(tmp_path)
    w.tooth = 1
    w.live(1)
    w.arm()
    w.live(20)
    assert w.good() is not True
    assert w.ended()[-1].outcome.ending is Ending.REFUSED
    w.tooth = 0
    w.live(20)
    assert w.good() is True
    assert w.piezo.moves == 0


def test_a_lock_that_came_back_by_itself_is_verified_without_a_move(
    bench: ModuleType, tmp_path: Path
) -> None:
    w = armed(bench, tmp_path, ("lost_s = 0.3", "lost_s = 5"))
    w.tooth = None
    w.free_hz = 1.1e9
    w.live(0.5)
    w.tooth = 0
    w.live(0.3)
    assert w.good() is not True
    w.live(5)
    assert w.good() is True
    assert w.piezo.moves == 0
    assert w.ended()[-1].outcome.ending is Ending.DONE


def test_s1_the_door_opens_in_the_middle(bench: ModuleType, tmp_path: Path) -> None:
    w = armed(bench, tmp_path)
    w.lose(-200e6)
    w.live(3)
    assert w.piezo.moves
    w.door = 0.0
    w.live(0.2)
    moves = w.piezo.moves
    w.piezo.forbidden = w.switch.forbidden = lambda: "the door is open"
    w.live(20)
    assert w.piezo.moves == moves
    assert w.piezo.harm == w.switch.harm == []
    w.piezo.forbidden = w.switch.forbidden = lambda: ""
    w.door = 5.0
    w.live(30)
    assert w.good() is True


def test_no_move_during_a_shot(bench: ModuleType, tmp_path: Path) -> None:
    w = armed(bench, tmp_path)
    with w.session.shot("1", "line_a"):
        w.piezo.forbidden = w.switch.forbidden = lambda: "a shot is running"
        w.lose(-90e6)
        w.live(10)
        assert w.piezo.moves == 0
    w.piezo.forbidden = w.switch.forbidden = lambda: ""
    w.live(20)
    assert w.piezo.harm == []
    assert w.good() is True


def test_s3_the_beam_must_be_read_to_be_blocked(bench: ModuleType, tmp_path: Path) -> None:
    line = next(row for row in bench.lab_text().splitlines() if row.startswith("beam_open"))
    blocked = 'beam_blocked = { channel = "door", limits = [7, 9] }'
    w = armed(bench, tmp_path, (line, blocked))
    w.lose(-90e6)
    w.live(10)
    assert w.piezo.moves == w.switch.moves == 0
    state = w.session.actuation.state()["actuators"]["laser_a"]
    assert state["waits_for"] == "beam_blocked is not known to be well"


def test_nothing_found_is_a_failure_and_budgets_bring_a_person(
    bench: ModuleType, tmp_path: Path
) -> None:
    w = armed(
        bench, tmp_path, ("attempts_per_hour = 1000", "attempts_per_hour = 2"),
        ("sweep_span = 7", "sweep_span = 1"),
    )  # fmt: skip
    w.lose(3.1e9)
    w.live(60)
    assert [a.outcome.ending for a in w.ended()] == [Ending.FAILED, Ending.FAILED]
    assert not w.session.actuation.desk.armed
    assert w.piezo.harm == []


def test_s7_a_rehearsal_sweeps_on_paper_only(bench: ModuleType, tmp_path: Path) -> None:
    w = bench.World(tmp_path, rehearse=True)
    w.live(5)
    w.lose(-90e6)
    w.live(40)
    assert w.piezo.moves == w.switch.moves == 0
    assert all(a.rehearsal for a in w.heard.attempts)
    assert any(a.phase.value == "moved" for a in w.heard.attempts)


def test_s5_a_changed_lab_file_disarms_the_session(bench: ModuleType, tmp_path: Path) -> None:
    w = armed(bench, tmp_path)
    file = tmp_path / "lab.toml"
    file.write_text(file.read_text() + "\n# changed\n")
    w.live(2)
    assert not w.session.actuation.desk.armed
    with pytest.raises(RefusedError):
        w.arm()


def test_every_move_is_in_the_trace(bench: ModuleType, tmp_path: Path) -> None:
    import h5py

    w = armed(bench, tmp_path, out=tmp_path / "trace")
    w.lose(-90e6)
    w.live(30)
    assert w.good() is True
    paths = w.session.stop()
    with h5py.File(paths[0], "r") as file:
        text = repr([row.tolist() for row in file["/entry/messages/text"][:]])
        moved = text.count("laser_a moved: piezo")
    assert moved == w.piezo.moves


def test_stopping_the_session_in_the_middle_brings_it_to_its_end(
    bench: ModuleType, tmp_path: Path
) -> None:
    w = armed(bench, tmp_path)
    w.lose(-200e6)
    w.live(3)
    w.session.stop()
    assert w.ended()[-1].outcome.ending is Ending.ABORTED
    assert w.piezo.harm == []
    moves = w.piezo.moves
    again = bench.World(tmp_path)
    again.piezo.volts = w.piezo.volts
    again.live(10)
    assert (again.piezo.moves, w.piezo.moves) == (0, moves)
    assert again.heard.attempts == []


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('coarse = "wm_at_a"', 'coarse = "wm_at_b"', "no frequency witness of 'a'"),
        ('amplifier = "none"', 'amplifier = "seeded"', "without seed"),
        ("beam_open = ", "# ", "beam is blocked"),
        ('sweep = "piezo"', 'sweep = "pieso"', r"no \[outputs.pieso\]"),
        ("on = 5, off = 0", "on = 6, off = 0", "outside its harmless range"),
        ('drives = "piezo"', 'drives = "shutter"', "drives"),
        ("harmless = [-8, 8]", "harmless = [-80, 80]", "within the limits"),
        ('channel = "piezo_v"', 'channel = "door"', "read back by its own channel"),
        ('drives = "piezo"', 'drives = "current"', "class b"),
        ('channel = "door"\nlimits = [4, 6]', 'channel = "door"\nlimits = [4, 6]\nmax_age_s = 3',
         "2 s at most"),
    ],
)  # fmt: skip
def test_mistakes_of_the_lab_file(
    bench: ModuleType, tmp_path: Path, old: str, new: str, says: str
) -> None:
    import labref_relock
    from labref.plugins import load_plugins

    extra = [("relock", labref_relock), ("actuation", bench.actuation_tables)]
    tables = load_plugins((), extra).tables()
    with pytest.raises(LabFileError, match=says):
        parse_lab(bench.lab_text((old, new)), "lab.toml", tables)
