"""Parts that need a lab file: a hat that eliminates the comb (M24), a wavemeter (M2)."""

from __future__ import annotations

import json
import re
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from labref.cli.characterise import command
from labref.config.lab import parse_lab
from labref.model.errors import LabFileError
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab

GATES = 1200
OFFSET_HZ, PER_DEGREE_HZ, SCATTER_HZ = 2.5e6, 4e5, 1e6
SIGMA_HZ = {"beat": 2.0, "beat2": 4.0, "beat3": 8.0}
COMB_NOISE_HZ = 300.0  # of 411 THz: what every single laser would read as

MORE = """
[channels.beat2]
nominal_hz = 109776400
reference = "maser"
group = "{group}"
sigma = 1
instrument = "bench"
input = 11

[channels.beat3]
nominal_hz = 109776400
reference = "maser"
group = "counter"
sigma = 1
instrument = "bench"
input = 12

[channels.warm]
nominal = 20
unit = "degree C"
kind = "temperature"
instrument = "bench"
input = 13

[witnesses.room]
channel = "warm"
limits = [-10, 10]
"""


def lab(group: str = "counter") -> str:
    text = comb_lab() + MORE.replace("{group}", group)
    for number in (2, 3):
        for table in ("[lasers.l729]", "[lasers.l729.evidence]"):
            block = re.search(rf"{re.escape(table)}\n(?:[^\n]+\n)+", text)
            assert block is not None
            made = block[0].replace("l729", f"l{number}").replace('"beat"', f'"beat{number}"')
            text += "\n" + made
    return text.replace('witnesses = ["wm729"]', 'witnesses = ["wm729"]\nneeds = ["room"]')


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three lasers on one noisy comb, a wavemeter that follows the room's temperature."""
    out = tmp_path_factory.mktemp("record")
    rng = np.random.default_rng(5)
    comb = rng.normal(0.0, COMB_NOISE_HZ, GATES)
    light = {name: rng.normal(0.0, sigma, GATES) for name, sigma in SIGMA_HZ.items()}
    warm = np.cumsum(rng.normal(0.0, 0.1, GATES))
    warm -= warm.mean()
    shown = OFFSET_HZ + PER_DEGREE_HZ * warm + rng.normal(0.0, SCATTER_HZ, GATES) + light["beat"]
    given = {name: values - comb for name, values in light.items()}
    given |= {"wm": shown, "warm": warm, "f_ceo": rng.normal(0.0, 0.1, GATES)}
    given["f_rep"] = rng.normal(0.0, 1e-5, GATES)
    (out / "lab.toml").write_text(lab())
    (out / "skewed.toml").write_text(lab("other counter"))
    bench = MemoryBench(lab(), out=out / "trace")
    with bench.session:
        for k in range(0, GATES, 100):
            bench.run({name: values[k : k + 100] for name, values in given.items()})
    return out


def carried_out(folder: Path, part: str, lab_file: str = "lab.toml") -> tuple[int, dict[str, Any]]:
    plan = folder / f"plan_{abs(hash((part, lab_file)))}.toml"
    plan.write_text(
        f'labref_plan = 1\nlab = "{lab_file}"\n[sources.night]\ntrace = "trace"\n'
        f'[parts.one]\nsource = "night"\n{part}\n'
    )
    out = plan.with_suffix("")
    done = CliRunner().invoke(command, [str(plan), "--out", str(out), "--json", "--quiet"])
    return done.exit_code, json.loads(done.stdout)[0]


HAT = 'kind = "hat"\nlasers = ["l729", "l2", "l3"]'


def test_a_hat_sees_the_lasers_through_the_noise_of_their_comb(folder: Path) -> None:
    code, found = carried_out(folder, f"{HAT}\nat_most = [[1, 3e-14]]")
    assert code == 0, found
    for laser, sigma in (("l729", 2.0), ("l2", 4.0), ("l3", 8.0)):
        share = found["values"][laser]["Groslambert covariance"]
        deviation = np.sqrt(share["variance"][0]) * 411042129776400
        assert deviation == pytest.approx(sigma, rel=0.35)
        assert deviation < COMB_NOISE_HZ / 20


def test_a_hat_over_two_gate_groups_is_refused(folder: Path) -> None:
    code, found = carried_out(folder, HAT, "skewed.toml")
    assert code == 1
    assert "gate groups counter, other counter" in found["broken"]
    assert "M24" in found["broken"]


def test_a_wavemeter_is_calibrated_with_its_temperature(folder: Path) -> None:
    part = 'kind = "wavemeter"\nchannel = "wm"\nlaser = "l729"\n'
    code, found = carried_out(folder, part + 'temperature = "warm"\noffset_hz = 5e6\n')
    assert code == 0, found
    values, correction = found["values"], found["values"]["correction"]
    assert abs(values["offset_hz"] - OFFSET_HZ) < 4 * values["u_offset_hz"]
    assert values["u_offset_hz"] == pytest.approx(SCATTER_HZ / GATES**0.5, rel=0.2)
    assert values["scatter_hz"] == pytest.approx(SCATTER_HZ, rel=0.1)
    slope, u = correction["hz_per_degree"], correction["u_hz_per_degree"]
    assert abs(slope - PER_DEGREE_HZ) < 4 * u
    assert correction["at_temperature"] == pytest.approx(20.0, abs=0.3)
    # M2: with this correction the channel is no witness for this comb any more.
    assert correction["calibrated_by"] == "combs.main"
    assert any("no witness" in note for note in found["notes"])


def test_without_its_temperature_the_same_wavemeter_wanders(folder: Path) -> None:
    part = 'kind = "wavemeter"\nchannel = "wm"\nlaser = "l729"\nvalid_for_s = 600\n'
    _, cold = carried_out(folder, part)
    _, warm = carried_out(folder, part + 'temperature = "warm"\n')
    assert cold["values"]["scatter_hz"] == pytest.approx(SCATTER_HZ, rel=0.1)
    assert cold["values"]["correction"]["u_hz"] > 3 * warm["values"]["correction"]["u_hz"]


def test_a_laser_that_is_not_there_is_named(folder: Path) -> None:
    part = 'kind = "wavemeter"\nchannel = "wm"\nlaser = "l999"\n'
    code, found = carried_out(folder, part)
    assert code == 1
    assert "laser 'l999' is not one of: l729, l2, l3" in found["broken"]


def test_the_correction_goes_into_the_lab_file_and_takes_the_offset_away(folder: Path) -> None:
    """Found against the comb, declared for the channel: every use of the reading is corrected."""
    part = 'kind = "wavemeter"\nchannel = "wm"\nlaser = "l729"\ntemperature = "warm"\n'
    _, found = carried_out(folder, part)
    lines = found["values"]["lab_file"]
    assert 'calibrated_by = "combs.main"' in lines
    assert 'valid_from = "2026-11-25T00:20:00Z"' in lines
    held = lab().replace('unit = "degree C"', 'unit = "degree C"\nhold_s = 60\nu = 0.05')
    # Calibrated so, the wavemeter is no witness for that comb's tooth any more.
    with pytest.raises(LabFileError, match=r"wm729.*combs\.main"):
        parse_lab(held + "\n" + lines)
    # A laser that only the wavemeter reads has the correction in its equation and its budget.
    only = re.sub(r"\[transitions\.clock729\]\n(?:[^\n]+\n)+", "", held)
    only += '\n[lasers.shown]\nchannel = "wm"\n\n' + lines
    only += """
[transitions.seen]
laser = "shown"
target_hz = 411042129776400
target_u_hz = 1e5
tolerance_hz = 40e6
needs = ["room"]
unwatched = ["noise"]
"""
    read = parse_lab(only)
    equation = read.lasers["shown"].equation
    correction = found["values"]["correction"]
    terms = dict(equation.terms)
    assert terms["wm"] == 1
    assert terms["wm.correction"] == -1
    assert float(terms["warm"]) == pytest.approx(-correction["hz_per_degree"], abs=1e-3)
    at_21 = {"wm": Fraction(0), "warm": Fraction(21)}
    at_21["wm.correction"] = read.channels["wm.correction"].nominal
    expected = -correction["correction_hz"] - correction["hz_per_degree"] * (
        21 - correction["at_temperature"]
    )
    assert float(equation.value(at_21)) == pytest.approx(expected, rel=1e-6)
    budget = {line.source: abs(line.hz) for line in read.transitions["seen"].budget.lines}
    assert budget["wm.correction (display)"] == pytest.approx(correction["u_hz"], rel=1e-2)
    assert "combs.main" in read.provenance.rests_on("lasers.shown")


def test_both_are_shown_in_a_report(folder: Path) -> None:
    from labref.report.blocks import Table
    from labref.report.characterisation import sections

    part = 'kind = "wavemeter"\nchannel = "wm"\nlaser = "l729"\ntemperature = "warm"\n'
    plan = folder / "shown.toml"
    plan.write_text(
        'labref_plan = 1\nlab = "lab.toml"\n[sources.night]\ntrace = "trace"\n'
        f'[parts.wm]\nsource = "night"\n{part}[parts.hat]\nsource = "night"\n{HAT}\n'
    )
    CliRunner().invoke(command, [str(plan), "--out", str(folder / "shown"), "--quiet"])
    _, wavemeter, hat = sections(folder / "shown")
    assert (wavemeter.title, hat.title) == ("wm: wavemeter: pass", "hat: pass")
    facts = wavemeter.blocks[0]
    assert isinstance(facts, Table)
    told = dict(facts.rows)
    assert told["displayed less comb"].endswith("MHz")
    assert told["per degree"].endswith(") kHz, from 20.00")
    assert told["rests on"] == "combs.main"
    own, other = hat.blocks
    assert isinstance(own, Table)
    assert isinstance(other, Table)
    assert own.head == ("τ (s)", "l2", "l3", "l729")
    assert own.caption.startswith("Groslambert covariance")
    assert 0.7 * 2.0 / 411e12 < float(own.rows[0][3].split()[0]) < 1.3 * 2.0 / 411e12
