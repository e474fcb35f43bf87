"""One step a pass, within limits, only when armed (rules S2 to S5)."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from types import ModuleType

import pytest

from labref.actuation.base import Ending, Move, Outcome, Wait
from labref.model.errors import InputError, RefusedError


def test_nothing_moves_by_default(ab: ModuleType) -> None:
    b = ab.Bench()
    b.live(10)
    assert b.moves() == []
    assert b.told == []


def test_armed_it_walks_to_its_end_within_step_and_slew(ab: ModuleType) -> None:
    b = ab.Bench()
    b.live(0.2)
    b.arm()
    b.live(12)
    assert b.phases() == ["armed", "began", "ended"]
    assert b.told[-1].outcome == Outcome(Ending.DONE, "walked")
    assert b.outputs["piezo"].volts == 1
    assert b.harm == []
    # 0.5 + 0.8 + 1.3 V in steps of 0.1 V.
    assert len(b.moves()) == 26


def test_at_most_one_write_a_pass(ab: ModuleType) -> None:
    specs = {"piezo": ab.spec(slew_per_s=Fraction(1000))}
    b = ab.Bench(specs=specs)
    b.live(0.2)
    b.arm()
    for _ in range(100):
        before = len(b.moves())
        b.step()
        assert len(b.moves()) <= before + 1


@pytest.mark.parametrize("what", ["armed in file", "enabled", "read-back", "harmless", "name"])
def test_s5_arming_is_refused(ab: ModuleType, what: str) -> None:
    script = ab.Script()
    specs = {"piezo": ab.spec(enabled=what != "enabled")}
    b = ab.Bench(script, specs=specs, volts=Fraction(3) if what == "harmless" else Fraction(0))
    script.armed_in_file = what != "armed in file"
    if what == "read-back":
        b.silent = {"piezo"}
    b.live(0.2)
    with pytest.raises(RefusedError):
        b.desk.ask_to_arm("script", "" if what == "name" else "somebody")
    assert b.moves() == []


def test_s5_a_token_arms_once_and_not_after_five_minutes(ab: ModuleType) -> None:
    b = ab.Bench()
    b.live(0.2)
    request = b.desk.ask_to_arm("script", "somebody")
    b.desk.arm(request.token)
    with pytest.raises(RefusedError, match="token"):
        b.desk.arm(request.token)
    request = b.desk.ask_to_arm("script", "somebody")
    b.clock.wait(301)
    b.step()
    with pytest.raises(RefusedError, match="token"):
        b.desk.arm(request.token)


def test_s5_remote_arming_is_off_unless_the_lab_file_says_so(ab: ModuleType) -> None:
    b = ab.Bench()
    b.live(0.2)
    with pytest.raises(RefusedError, match="remote"):
        b.desk.ask_to_arm("script", "somebody", remote=True)
    b = ab.Bench(remote=True)
    b.live(0.2)
    b.desk.arm(b.desk.ask_to_arm("script", "somebody", remote=True).token)


def test_s5_disarming_needs_no_token_and_acts_within_one_pass(ab: ModuleType) -> None:
    b = ab.Bench()
    b.live(0.2)
    b.arm()
    b.live(1.5)
    assert b.moves()
    b.desk.disarm()
    b.step()
    assert not b.desk.is_armed("script")
    b.live(5)
    assert b.told[-1].outcome.ending is Ending.ABORTED
    assert b.outputs["piezo"].volts == 0  # ramped to its safe value
    assert b.harm == []


def test_s5_it_expires_after_twelve_hours(ab: ModuleType) -> None:
    script = ab.Script()
    script.wants = ""
    b = ab.Bench(script)
    b.live(0.2)
    b.arm()
    b.clock.wait(12 * 3600 - 2)
    b.step()
    assert b.desk.is_armed("script")
    b.clock.wait(2)
    b.step()
    assert not b.desk.is_armed("script")


def test_s5_a_changed_lab_file_disarms(ab: ModuleType, tmp_path: Path) -> None:
    file = tmp_path / "lab.toml"
    file.write_text("labref = 1\n")
    b = ab.Bench(lab_file=file)
    b.live(0.2)
    b.arm()
    b.live(2)
    file.write_text("labref = 1\n# another limit\n")
    moved = len(b.moves())
    b.live(3)
    assert "lab file" in next(a for a in b.told if a.phase.value == "disarmed").text
    assert len(b.moves()) <= moved + 21  # at most the second until the file is looked at
    with pytest.raises(RefusedError, match="lab file"):
        b.desk.ask_to_arm("script", "somebody")


def test_s5_a_lab_file_that_is_gone_disarms(ab: ModuleType, tmp_path: Path) -> None:
    file = tmp_path / "lab.toml"
    file.write_text("labref = 1\n")
    b = ab.Bench(lab_file=file)
    b.live(0.2)
    b.arm()
    file.unlink()
    b.live(2)
    assert not b.desk.is_armed("script")


def test_s5_a_changed_instrument_disarms_and_holds(ab: ModuleType) -> None:
    b = ab.Bench()
    b.live(0.2)
    b.arm()
    b.live(2)
    b.step([("another", "identity")])
    assert b.desk.is_armed("script")
    b.step([("source", "another serial number answers")])
    b.live(1)
    moved = len(b.moves())
    b.live(5)
    assert not b.desk.is_armed("script")
    assert len(b.moves()) == moved


def test_s5_a_foreign_write_disarms_and_is_left_alone(ab: ModuleType) -> None:
    b = ab.Bench()
    b.live(0.2)
    b.arm()
    b.live(2)
    b.outputs["piezo"].volts = Fraction(-1)  # somebody is at the front panel
    b.live(5)
    assert not b.desk.is_armed("script")
    assert b.outputs["piezo"].volts == -1
    assert any("somebody else" in a.text for a in b.told)


def test_s5_a_foreign_write_while_idle_disarms_too(ab: ModuleType) -> None:
    script = ab.Script()
    script.wants = ""
    b = ab.Bench(script)
    b.live(0.2)
    b.arm()
    b.live(1)
    b.outputs["piezo"].volts = Fraction(1, 2)
    b.live(1)
    assert not b.desk.is_armed("script")


def test_s5_hands_on_beats_everything_and_nothing_moves_any_more(ab: ModuleType) -> None:
    b = ab.Bench()
    b.live(0.2)
    b.arm()
    b.live(2)
    b.desk.hands_on("somebody", b.clock.now_ns() + 60 * 10**9)
    b.step()
    moved = len(b.moves())
    b.live(30)
    assert len(b.moves()) <= moved + 1  # what was on the wire
    with pytest.raises(RefusedError, match="hands-on"):
        b.desk.ask_to_arm("script", "another")
    b.live(40)  # over: it is still armed, and goes on
    assert len(b.moves()) > moved + 1
    assert b.harm == []


def test_s1_an_open_or_stale_interlock_stops_every_move(ab: ModuleType) -> None:
    for volts in (0.0, None):
        b = ab.Bench()
        b.live(0.2)
        b.arm()
        b.live(2)
        b.closed_v = volts
        b.live(2.2)  # a reading is believed for 2 s
        moved = len(b.moves())
        b.outputs["piezo"].forbidden = lambda: "the interlock is open or stale"
        b.live(20)
        assert len(b.moves()) == moved
        assert b.harm == []
        assert any("interlock" in a.text for a in b.told)


def test_s5_one_writer_per_output(ab: ModuleType, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="one writer"):
        ab.Bench(ab.Script("one"), ab.Script("two"))
    first, second = ab.Bench(folder=tmp_path), ab.Bench(folder=tmp_path)
    for b in (first, second):
        b.live(0.2)
    first.arm()
    with pytest.raises(RefusedError, match="another session"):
        second.arm()
    first.desk.disarm()
    first.live(1)
    second.arm()


def test_a_veto_holds_every_single_move_back(ab: ModuleType) -> None:
    b = ab.Bench()
    b.live(0.2)
    b.arm()
    b.live(2)
    b.vetoed = "open shots"
    b.live(0.1)
    moved = len(b.moves())
    b.live(30)
    assert len(b.moves()) == moved
    b.vetoed = ""
    b.live(8)
    assert b.told[-1].outcome.ending is Ending.DONE
    assert b.harm == []


def test_held_back_for_too_long_the_attempt_is_given_up(ab: ModuleType) -> None:
    b = ab.Bench()
    b.live(0.2)
    b.arm()
    b.live(2)
    b.vetoed = "open shots"
    b.live(70)
    assert "held back too long" in b.told[-1].text


def test_s6_budgets_then_a_person(ab: ModuleType) -> None:
    script = ab.Script(
        steps=(Wait(1.0),), outcome=Outcome(Ending.FAILED, "nothing found"), attempts=(3, 10)
    )
    b = ab.Bench(script)
    b.live(0.2)
    b.arm()
    for _ in range(40):
        script.wants = "again"
        b.live(0.5)
    assert b.phases().count("began") == 3
    assert not b.desk.is_armed("script")
    assert "a person has to look" in b.told[-1].text
    script.wants = "again"
    b.arm()
    b.live(2)
    assert b.phases().count("began") == 4


def test_order_follows_dependency(ab: ModuleType) -> None:
    specs = {"piezo": ab.spec(), "other": ab.spec("other")}
    laser = ab.Script("laser", ("piezo",), after=("comb",))
    comb = ab.Script("comb", ("other",))
    b = ab.Bench(laser, comb, specs=specs)
    b.live(0.2)
    b.arm()
    b.live(30)
    order = [(a.actuator, a.phase.value) for a in b.told if a.phase.value in ("began", "ended")]
    assert order == [("comb", "began"), ("comb", "ended"), ("laser", "began"), ("laser", "ended")]


def test_outside_the_harmless_range_the_attempt_fails_and_nothing_is_clipped(
    ab: ModuleType,
) -> None:
    b = ab.Bench(ab.Script(steps=(Move("piezo", Fraction(3)),)))
    b.live(0.2)
    b.arm()
    b.live(3)
    assert b.moves() == []
    assert "outside its harmless range" in next(a for a in b.told if a.phase.value == "ended").text
    assert not b.desk.is_armed("script")


def test_a_write_that_rounds_ends_where_the_instrument_can_go(ab: ModuleType) -> None:
    b = ab.Bench(ab.Script(steps=(Move("piezo", Fraction("0.50004")), Wait(0.1))))
    output = b.outputs["piezo"]
    exact = output.effect
    output.effect = lambda to, slew=True: exact(Fraction(round(to * 1000), 1000), slew)
    b.live(0.2)
    b.arm()
    b.live(8)
    assert b.told[-1].outcome.ending is Ending.DONE
    assert output.volts == Fraction(1, 2)


def test_s7_a_rehearsal_moves_nothing_and_logs_the_same_moves(ab: ModuleType) -> None:
    real, rehearsed = ab.Bench(), ab.Bench(rehearse=True)
    real.live(0.2)
    real.arm()
    real.live(12)
    rehearsed.live(12)
    assert rehearsed.moves() == []
    assert rehearsed.logs["piezo"].asked == [value for _, value in real.moves()]
    assert all(a.rehearsal for a in rehearsed.told)
    assert not (rehearsed.folder / "lab.actuation").exists()
