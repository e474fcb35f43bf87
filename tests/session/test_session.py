"""The pass, end to end, on a memory wire and a virtual clock."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import labref
from labref.hookspecs import hookimpl
from labref.model.errors import InputError
from labref.model.flags import Flag
from labref.model.shot import WindowClock
from labref.model.verdict import AlarmLevel, State
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab

S = 10**9
CLOCK = "clock729"
QUIET: dict[str, Any] = {"f_rep": [0.0], "f_ceo": [0.0], "beat": [0.0], "wm": [0.0]}


def gate(**changes: Any) -> dict[str, Any]:
    return {name: values for name, values in {**QUIET, **changes}.items() if values is not None}


class Heard:
    """A listener that keeps everything."""

    def __init__(self) -> None:
        self.alarms: list[Any] = []
        self.results: list[Any] = []
        self.faults: list[Any] = []
        self.stops: list[str] = []

    @hookimpl
    def on_alarm(self, alarm: Any) -> None:
        self.alarms.append(alarm)

    @hookimpl
    def on_results(self, results: Any) -> None:
        self.results.extend(results)

    @hookimpl
    def on_fault(self, fault: Any) -> None:
        self.faults.append(fault)

    @hookimpl
    def on_stop(self, reason: str) -> None:
        self.stops.append(reason)


def bench(*changes: tuple[str, str], **more: Any) -> MemoryBench:
    return MemoryBench(comb_lab(*changes), **more)


def test_before_any_reading_nothing_is_known() -> None:
    status = bench().session.status
    assert status.is_good(CLOCK) is None
    assert status.verdict(CLOCK).reason == "no reading yet"


def test_good_names_the_witness_it_leans_on_and_what_is_unwatched() -> None:
    b = bench()
    status = b.run(gate())
    verdict = status.verdict(CLOCK)
    assert verdict.state is State.GOOD
    assert verdict.leans_on == ("wm729",)
    assert verdict.unwatched == ("noise",)


def test_the_equation_is_the_comb_equation() -> None:
    """nu = n f_rep + f_ceo + beat; the exact vectors are in the tests of the frequency core."""
    b = bench()
    b.run(gate(f_rep=[1e-4], f_ceo=[3.0], beat=[-7.0]))
    expected = 1644168 * 1e-4 + 3.0 - 7.0
    assert b.session.status.standings[CLOCK].detuning_hz == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(("beat", "state"), [(2300.0, False), (-2300.0, False), (1990.0, None)])
def test_outside_by_U_is_bad_and_close_to_the_limit_is_unknown(beat: float, state: Any) -> None:
    b = bench()
    assert b.run(gate(beat=[beat])).is_good(CLOCK) is state


def test_a_reading_older_than_its_gate_allows_is_unknown() -> None:
    b = bench()
    status = b.run(gate())
    b.clock.advance_ns(round(2.1 * S))
    assert status.is_good(CLOCK) is True
    b.clock.advance_ns(S)
    assert status.is_good(CLOCK) is None
    assert status.verdict(CLOCK).reason == "last reading too old"


def test_rule_M11_mixed_weightings_add_their_factor() -> None:
    """Pi against Lambda on one gate: 0.577 sigma of f_rep, times n; computed, rule M11."""
    plain = bench()
    plain.run(gate())
    mixed = bench(
        ("sigma = 1e-5", 'sigma = 1e-5\nweighting = "lambda"\ngroup = "other"'),
        ('group = "counter"\nsigma = 1e-5', "sigma = 1e-5"),
    )
    mixed.run(gate())
    u = [b.session.status.standings[CLOCK].u_hz for b in (plain, mixed)]
    assert math.sqrt(u[1] ** 2 - u[0] ** 2) == pytest.approx(
        1644168e-5 * math.sqrt(1 / 3), rel=1e-6
    )


def test_a_silent_channel_is_a_gap_after_its_lateness_limit() -> None:
    b = bench()
    b.run(gate())
    b.run(gate(f_rep=None))
    assert b.session.status.standings[CLOCK].stop_ns == b.start_ns + S
    b.clock.advance_ns(round(1.3 * S))
    verdict = b.session.step().verdict(CLOCK)
    assert verdict.state is State.UNKNOWN
    assert "no reading in this gate" in verdict.reason


def test_a_late_reading_is_stored_flagged_and_never_derived_again(tmp_path: Path) -> None:
    heard = Heard()
    b = bench(out=tmp_path, extra=[("heard", heard)])
    b.run(gate())
    b.run(gate(f_rep=None))
    b.clock.advance_ns(round(1.3 * S))
    b.session.step()
    derived = sum(len(result.frequencies) for result in heard.results)
    b.gates("f_rep", [5.0])
    b.session.step()
    assert sum(len(result.frequencies) for result in heard.results) == derived
    b.session.stop()
    series = labref.open_trace(tmp_path).series("f_rep")
    assert series.offset.tolist() == [0.0, 5.0]
    assert series.flags[1] & Flag.LATE


@pytest.mark.parametrize(
    "flag",
    [Flag.LINK, Flag.REFERENCE, Flag.CYCLE_SLIP, Flag.SATURATED, Flag.CLOCK_STEP, Flag.TOO_GOOD],
)
def test_every_flag_makes_the_gate_unknown(flag: Flag) -> None:
    b = bench()
    b.gates("beat", [0.0], flags=int(Flag.WRITTEN | flag))
    assert b.run(gate(beat=None)).is_good(CLOCK) is None


def test_rule_M1_no_word_from_the_witness_is_unknown() -> None:
    b = bench()
    assert b.run(gate()).is_good(CLOCK) is True
    for _ in range(3):
        assert b.run(gate(wm=None)).is_good(CLOCK) is True
    verdict = b.run(gate(wm=None)).verdict(CLOCK)
    assert verdict.state is State.UNKNOWN
    assert "no word from witness wm729" in verdict.reason


def test_rule_M2_a_witness_that_disagrees_takes_the_good_away() -> None:
    b = bench()
    verdict = b.run(gate(wm=[-250e6])).verdict(CLOCK)
    assert verdict.state is State.UNKNOWN
    assert "wm729 disagrees" in verdict.reason


def test_bad_stands_before_unknown() -> None:
    assert bench().run(gate(beat=[9e3], wm=None)).is_good(CLOCK) is False


def test_was_good_and_frequency_of_a_window() -> None:
    b = bench()
    for beat in (0.0, 10.0, 20.0, 9000.0, 40.0):
        b.run(gate(beat=[beat]))
    begin = b.start_ns
    assert b.session.was_good(CLOCK, begin, begin + 3 * S) is True
    assert b.session.was_good(CLOCK, begin + 2 * S, begin + 4 * S) is False
    assert b.session.was_good(CLOCK, begin + 4 * S, begin + 6 * S) is None
    mean = b.session.frequency(CLOCK, begin, begin + 3 * S)
    assert mean.offset_hz == pytest.approx(10.0)
    assert mean.nominal_hz == 411042129776400
    assert mean.coverage == 1.0
    assert mean.u_hz == pytest.approx(math.hypot(41.107, 16.47 / math.sqrt(3)), rel=1e-3)


def test_a_window_of_a_tenth_of_a_gate_says_how_little_it_knows() -> None:
    b = bench()
    b.run(gate())
    mean = b.session.frequency(CLOCK, b.start_ns + S // 2, b.start_ns + 6 * S // 10)
    # Rule M12: 3 sigma of a gate, whichever of its channels scatters (beat 1 Hz, comb 16.4 Hz).
    moving = math.hypot(mean.u_counting_hz, mean.u_unmeasured_hz)
    assert moving == pytest.approx(3.0 * 16.47, rel=1e-3)
    shot = b.session.shot("same", CLOCK, clock=WindowClock("trace", 0, 0))
    with shot:
        shot.triggered(b.start_ns + S // 2, b.start_ns + 6 * S // 10, shot.clock)
    assert shot.record(0.0).means[0].u_hz == pytest.approx(mean.u_hz, rel=1e-12)


def test_a_gap_is_reported_as_missing_coverage() -> None:
    b = bench()
    for value in ([0.0], [math.nan], [0.0]):
        b.run(gate(beat=value))
    assert b.session.was_good(CLOCK, b.start_ns, b.start_ns + 3 * S) is None
    assert b.session.frequency(CLOCK, b.start_ns, b.start_ns + 3 * S).coverage == pytest.approx(
        2 / 3
    )


def test_unknown_names_and_empty_windows_are_refused() -> None:
    b = bench()
    b.run(gate())
    with pytest.raises(InputError, match=r"no transition 'clock'.*clock729"):
        b.session.was_good("clock", 0, 1)
    with pytest.raises(InputError, match="ends after it begins"):
        b.session.frequency(CLOCK, 5, 5)
    with pytest.raises(InputError, match="no transition"):
        b.session.status.is_good("nobody")


def test_the_experiment_may_push_a_reading() -> None:
    b = bench()
    b.run(gate(wm=None))
    b.session.push("wm", b.start_ns, b.start_ns + S, 0.0, u=1.0)
    b.run(gate(wm=None))
    assert b.session.status.is_good(CLOCK) is True
    with pytest.raises(InputError, match="no channel"):
        b.session.push("nobody", 0, 1, 0.0)
    with pytest.raises(InputError, match="ends after it begins"):
        b.session.push("wm", 1, 1, 0.0)


def test_wait_good_steps_by_itself_without_a_thread() -> None:
    b = bench()
    for name, values in QUIET.items():
        b.gates(name, values)
    assert b.session.wait_good(CLOCK, timeout_s=1.0) is True
    b.run(gate(beat=[9e3]))
    before = b.clock.monotonic_s()
    assert b.session.wait_good([CLOCK], timeout_s=5.0) is False
    assert b.clock.monotonic_s() - before == pytest.approx(5.0, abs=0.01)


def test_alarms_are_levels_that_say_what_clears_them() -> None:
    heard = Heard()
    b = bench(extra=[("heard", heard)])
    for beat in (0.0, 9e3, 9e3, 0.0, 0.0):
        b.run(gate(beat=[beat]))
    outside = [alarm for alarm in heard.alarms if alarm.kind == "outside tolerance"]
    assert [alarm.level for alarm in outside] == [AlarmLevel.RAISED, AlarmLevel.CLEAR]
    assert outside[0].since_ns == b.start_ns + S
    assert "above the upper limit +2 kHz" in outside[0].message
    assert "inside -2 kHz to +2 kHz" in outside[0].clears


def test_alarms_and_faults_stand_in_the_trace(tmp_path: Path) -> None:
    from labref.model.readings import block

    b = bench(out=tmp_path)
    b.source.put(block("stranger", [0], [S], [1.0]))
    for beat in (0.0, 9e3, 0.0):
        b.run(gate(beat=[beat]))
    b.session.stop()
    messages = [(one.kind, one.text) for one in labref.open_trace(tmp_path).messages()]
    kinds = [kind for kind, _ in messages]
    assert "alarm raised" in kinds
    assert "alarm clear" in kinds
    assert any(kind == "fault" and "stranger" in text for kind, text in messages)


def test_a_check_that_fails_is_a_fault_and_an_unknown() -> None:
    class Broken:
        name, transition, channels = "broken", CLOCK, ()

        def judge(self, frequencies: Any, readings: Any) -> Any:
            raise RuntimeError("out of order")

    class Plugin:
        @hookimpl
        def register_checks(self, lab: Any) -> list[Any]:
            return [Broken()]

    heard = Heard()
    b = bench(extra=[("broken", Plugin()), ("heard", heard)])
    b.run(gate())
    verdict = b.run(gate()).verdict(CLOCK)
    assert verdict.state is State.UNKNOWN
    assert verdict.reason == "broken check failed"
    assert [fault.where for fault in heard.faults] == [f"check broken of {CLOCK}"]


def test_readings_of_a_stranger_are_a_fault_not_a_crash() -> None:
    from labref.model.readings import block

    b = bench()
    b.source.put(block("stranger", [0], [S], [1.0]))
    b.run(gate())
    assert b.session.status.is_good(CLOCK) is True
    assert any("stranger" in fault.what for fault in b.session.faults)


def test_a_lab_without_a_check_is_refused() -> None:
    with pytest.raises(InputError, match="no check judges clock729"):
        bench(plugins=())


def test_a_stopped_session_stays_stopped() -> None:
    heard = Heard()
    b = bench(extra=[("heard", heard)])
    b.run(gate())
    b.session.stop("enough")
    assert heard.stops == ["enough"]
    assert b.session.stop() == []
    with pytest.raises(InputError, match="stopped"):
        b.session.step()


@settings(deadline=None, max_examples=30, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.integers(1, 7), min_size=1, max_size=8), st.integers(0, 2**31))
def test_how_gates_are_cut_into_blocks_changes_no_verdict(cuts: list[int], seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = sum(cuts)
    values = {
        "f_rep": rng.normal(0, 1e-5, n),
        "f_ceo": rng.normal(0, 0.1, n),
        "beat": rng.normal(0, 700, n),
        "wm": rng.choice([0.0, -250e6, math.nan], n, p=[0.8, 0.1, 0.1]),
    }
    values["beat"][rng.random(n) < 0.1] = math.nan
    heard, whole = Heard(), Heard()
    b = bench(extra=[("heard", heard)])
    first = 0
    for cut in cuts:
        b.run({name: column[first : first + cut] for name, column in values.items()})
        first += cut
    bench(extra=[("heard", whole)]).run(values)
    for column in ("offset", "detuning", "errors", "flags"):
        np.testing.assert_array_equal(
            np.concatenate([getattr(r.frequencies, column) for r in heard.results]),
            np.concatenate([getattr(r.frequencies, column) for r in whole.results]),
        )
    np.testing.assert_array_equal(
        np.concatenate([r.states for r in heard.results]),
        np.concatenate([r.states for r in whole.results]),
    )
    reasons = [r.reason(i) for r in heard.results for i in range(len(r.states))]
    assert reasons == [whole.results[0].reason(i) for i in range(n)]
