"""Scenario files: every one runs, faults are data, seeds move them, mistakes are named."""

import io
import itertools
import json
import re
import tomllib
from decimal import Decimal
from pathlib import Path

import pytest

from sim_instruments.fault_kinds import KINDS
from sim_instruments.scenario import Scenario, ScenarioError, load, shipped
from sim_instruments.truth import TruthFile

PACKAGE = Path(tomllib.__file__) and Path(__file__).parents[2] / "sim_instruments"
WAYS = {"wavemeter_servo", "comb_gnss", "comb_line", "comb_cavity", "own_cavity", "atoms"}


def truth(bench, seconds):
    stream = io.StringIO()
    file = TruthFile(bench.lab, stream)
    for _ in range(seconds):
        bench.advance(1)
        file.write_until(bench.now_ns)
    head, *gates = map(json.loads, stream.getvalue().splitlines())
    return head, gates


def distance_hz(bench, gate, name):
    nominal = bench.lab.world.transitions[name].target
    whole, _, part = gate["hz"][name].partition(".")
    return int(whole) - int(nominal) + float(f"0.{part}") - float(nominal - int(nominal))


def test_each_way_of_referencing_has_a_scenario():
    assert set(shipped()) >= WAYS | {"ca_ion_lab"}


@pytest.mark.parametrize("name", shipped())
def test_every_scenario_runs_and_its_instruments_answer(tools, name):
    bench = tools.Bench(name, seconds=30)
    bench.advance(2)
    for instrument in bench.lab.instruments.values():
        if instrument.kind not in ("nmea", "stream_counter", "experiment_lines"):
            assert bench.ask(instrument.name, "*IDN?").startswith("SIMULATED,")
        else:
            assert bench.read(instrument.name)
    json.dumps(bench.lab.lab_numbers())
    json.dumps(bench.lab.nominals())
    bench.advance(30)


@pytest.mark.parametrize("name", [name for name in shipped() if "comb" in load(name).tables])
def test_beats_are_nowhere_near_what_spoils_them(tools, name):
    lab = tools.Bench(name).lab
    f_rep, f_ceo = lab.world.comb.f_rep.nominal, lab.world.comb.f_ceo.nominal
    beats = [beat for name in lab.world.signals if (beat := lab.world.beat(name))]
    for beat in beats:
        for bad in (0, f_rep / 2, f_ceo, f_rep - f_ceo):
            assert abs(beat.nominal - bad) > 5_000_000
    assert beats


TOLERANCE_HZ = {"397": 2e6, "866": 1e6, "854": 1e6, "729": 100.0, "423": 2e6}


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_without_faults_every_laser_stays_on_its_target(tools, seed):
    bench = tools.Bench("ca_ion_lab", seconds=120, seed=seed, faults=False)
    head, gates = truth(bench, 120)
    assert head["faults"] == []
    for name, tolerance in TOLERANCE_HZ.items():
        assert max(abs(distance_hz(bench, gate, name)) for gate in gates) < tolerance


@pytest.mark.parametrize("seconds", [30, 60, 300])
def test_the_three_faults_begin_and_end_within_the_run(tools, seconds):
    for seed in range(20):
        faults = list(load("ca_ion_lab").faults(seconds, seed))
        assert [fault.kind for fault in faults] == ["excursion", "tooth_jump", "unplug"]
        assert all(fault.stop_s - fault.start_s >= 3.0 for fault in faults)
        assert faults[0].start_s > 0.2 * seconds
        assert faults[-1].stop_s < 0.95 * seconds
        gaps = [b.start_s - a.stop_s for a, b in itertools.pairwise(faults)]
        assert min(gaps) > 0.02 * seconds


def test_lasers_go_where_the_faults_take_them(tools):
    bench = tools.Bench("ca_ion_lab", seconds=60)
    head, gates = truth(bench, 60)
    excursion, jump, _ = head["faults"]

    def inside(fault, name):
        margin = 10**9
        return [
            distance_hz(bench, gate, name)
            for gate in gates
            if fault["begin_ns"] + margin <= gate["start_ns"]
            and gate["stop_ns"] <= fault["end_ns"] - margin
        ]

    assert inside(excursion, "866") == pytest.approx(
        [15e6] * len(inside(excursion, "866")), abs=1e6
    )
    assert inside(jump, "854") == pytest.approx([250012960] * len(inside(jump, "854")), abs=1e6)
    assert min(len(inside(excursion, "866")), len(inside(jump, "854"))) >= 4
    assert abs(distance_hz(bench, gates[-1], "866")) < 1e6
    assert abs(distance_hz(bench, gates[-1], "854")) < 1e6


def test_another_seed_moves_the_faults_the_same_seed_does_not():
    def starts(seed):
        return [fault.start_s for fault in load("ca_ion_lab").faults(60, seed)]

    assert starts(1) == starts(1)
    moved = [abs(a - b) for a, b in zip(starts(1), starts(2), strict=True)]
    assert min(moved) > 0.05


def test_every_kind_of_fault_is_acted_on_somewhere():
    """Each kind's name stands in the package outside the table of kinds."""
    source = "\n".join(
        path.read_text(encoding="utf-8")
        for path in PACKAGE.rglob("*.py")
        if path.name != "fault_kinds.py"
    )
    for kind in KINDS:
        assert re.search(rf'"{kind}"', source), kind


def test_readme_of_kinds_is_complete():
    for kind, row in KINDS.items():
        assert row.strikes in ("light", "reference", "wire", "instrument"), kind
        assert row.meaning, kind


def test_a_power_cut_brings_everything_back_in_random_order():
    def order(seed):
        faults = [f for f in load("comb_gnss").faults(100, seed) if f.kind == "power_cut"]
        return [fault.target for fault in sorted(faults, key=lambda fault: fault.stop_s)]

    assert len(order(1)) == 8
    assert order(1) != order(2)


@pytest.mark.parametrize(
    ("tables", "words"),
    [
        ({"fault": [{"kind": "flood", "target": "x"}]}, ["fault 1", "'flood'", "excursion"]),
        ({"fault": [{"kind": "silence"}]}, ["fault 1", "'target'"]),
        ({"fault": [{"kind": "silence", "target": "x", "at": 0}]}, ["'for'"]),
        (
            {"fault": [{"kind": "silence", "target": "x", "at": 0, "for": 1}]},
            ["silence", "nothing is called 'x'"],
        ),
        ({"laser": {"L": {"nominal_hz": 1, "hold": "nobody"}}}, ["laser L", "'nobody'"]),
        ({"signal": {"b": {"kind": "f_ceo"}}}, ["signal b", "needs a comb"]),
        ({"transition": {"t": {"laser": "L9", "line_hz": 1}}}, ["'L9'"]),
        ({"instrument": {"a": {"kind": "kettle"}}}, ["instrument.a", "'kettle'", "scpi_counter"]),
    ],
)
def test_mistakes_are_named(tools, tables, words):
    with pytest.raises(ScenarioError) as raised:
        tools.Bench(tables)
    assert all(word in str(raised.value) for word in words)


def test_unknown_scenario_names_the_known_ones():
    with pytest.raises(ScenarioError, match="ca_ion_lab"):
        load("nowhere")


def test_a_file_that_is_no_toml_is_named(tmp_path):
    path = tmp_path / "broken.toml"
    path.write_text("[reference\n", encoding="utf-8")
    with pytest.raises(ScenarioError, match=r"broken\.toml"):
        load(str(path))


def test_a_scenario_from_a_file(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text('[reference.ref]\noffset = 1e-9\ntitle = "x"\n', encoding="utf-8")
    assert load(str(path)) == Scenario("mine", load(str(path)).tables)


def test_counters_and_truth_tell_the_same_story(tools):
    """f_rep, f_ceo and beat, read over one gate and put together with the known mode number,
    give the truth at the tap over that gate: a perfect reference, a noisy laser."""
    tables = tools.reference_tables(counter=tools.counter_row(jitter_s=1e-15))
    tables["laser"]["L866"]["h0"] = 1e10
    bench = tools.Bench(tables)
    beat_signal = bench.lab.world.beat("beat")
    bench.write("counter", "FREQ:APER 1;:ARM:SOUR EXT;:READ:ARR? 5")
    fields = [Decimal(field) for field in bench.read("counter").decode().split(",")]
    stream = io.StringIO()
    TruthFile(bench.lab, stream).write_until(bench.now_ns)
    gates = [json.loads(line) for line in stream.getvalue().splitlines()[1:]]
    for row in range(5):
        beat, f_ceo, harmonic = fields[3 * row : 3 * row + 3]
        f_rep = (harmonic + Decimal(9980000000)) / 40
        nu = beat_signal.mode * f_rep + f_ceo + beat_signal.sign * beat
        assert abs(nu - Decimal(gates[row + 1]["hz"]["866"])) < Decimal("0.05")


def test_the_page_about_scenarios_names_every_kind():
    from sim_instruments.instruments.catalogue import KINDS as INSTRUMENTS

    page = (PACKAGE / "scenarios" / "README.md").read_text(encoding="utf-8")
    for kind in [*KINDS, *INSTRUMENTS]:
        assert f"`{kind}`" in page, kind
