"""In which gates a transition is judged (M11)."""

from __future__ import annotations

from typing import Any


def test_the_base_is_the_lasers_own_beat(lab: Any) -> None:
    transition = lab().transitions["clock729"]
    assert (transition.base, transition.group) == ("beat", "night:1s:pi")
    assert transition.gate_ns == 1_000_000_000
    assert transition.lateness_ns == 1_200_000_000


def test_lateness_as_declared(lab: Any) -> None:
    edit = ("tolerance_hz = 1e4", "tolerance_hz = 1e4\nlateness_s = 0.35")
    assert lab(edit).transitions["clock729"].lateness_ns == 350_000_000


def test_a_set_beat_leaves_the_base_to_what_is_measured(lab: Any) -> None:
    edit = ("nominal_hz = 30000000\n", 'nominal_hz = 30000000\nrole = "set"\n')
    assert lab(edit).transitions["clock729"].base == "f_ceo"


def test_the_longest_gate_wins_where_the_beat_has_none(lab: Any) -> None:
    transition = lab(
        ("nominal_hz = 30000000\n", 'nominal_hz = 30000000\nrole = "set"\n'),
        ("nominal_hz = 250000000\n", "nominal_hz = 250000000\ngate_s = 10\n"),
        ("gate_s = 1\nstart", "time = { column = 9 }\nstart"),
    ).transitions["clock729"]
    assert (transition.base, transition.gate_ns) == ("f_rep", 10_000_000_000)


def test_where_nothing_of_it_is_measured_the_witness_gives_the_gates(
    lab: Any, small_lab: str
) -> None:
    transition = lab(
        ('comb = "main"\nn = 1644168\nbeat = "beat"', "frequency_hz = 411042050000000\nu_hz = 9"),
    ).transitions["clock729"]
    assert transition.asserted
    assert (transition.base, transition.group) == ("wavemeter", "night:1s:pi")


def test_nothing_measured_at_all(problems: Any) -> None:
    found = problems(
        ('comb = "main"\nn = 1644168\nbeat = "beat"', "frequency_hz = 411042050000000\nu_hz = 9"),
        ('witnesses = ["coarse"]', ""),
    )
    assert found[-1].endswith(
        "transitions.clock729: no channel of it, nor of its witnesses, is measured: nothing to "
        "judge"
    )


def test_gates_of_a_log_without_times_must_agree(problems: Any) -> None:
    found = problems(
        ("nominal_hz = 20000000\n", "nominal_hz = 20000000\ngate_s = 2\n"),
        ("gate_s = 1\nstart", "\nstart"),
    )
    assert found == [
        "lab.toml:33: logs.night: its channels have different gates and it has no time column: "
        "gate_s"
    ]


def test_one_gate_has_one_group_however_it_is_written(lab: Any) -> None:
    loaded = lab(
        ("nominal_hz = 20000000\n", "nominal_hz = 20000000\ngate_s = 1.0\n"),
        ("nominal_hz = 30000000\n", "nominal_hz = 30000000\ngate_s = 10e-1\n"),
        ("nominal_hz = 250000000\n", "nominal_hz = 250000000\ndead_time_s = 0.02\n"),
    )
    assert loaded.channels["f_ceo"].group == loaded.channels["beat"].group == "night:1s:pi"
    assert loaded.channels["f_rep"].group == "night:1s:pi:0.02s dead"
