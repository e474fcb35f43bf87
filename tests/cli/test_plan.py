"""`labref plan` on the command line."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from labref.cli.plan import command

ROOT = Path(__file__).parents[2]
CA = ROOT / "examples" / "ca_ion_lab.toml"


def run(*arguments: str) -> Result:
    return CliRunner().invoke(command, list(arguments), catch_exceptions=False)


def test_the_table_says_need_offers_and_recommendation() -> None:
    result = run(str(CA))
    assert result.exit_code == 0
    text = " ".join(result.output.split())
    assert "recommended: cavity_atoms" in text
    assert "laser minus target" in text
    assert "the next better" in text
    assert "mode number: a coarse value with u up to" in text
    assert "dark resonance" in text
    assert "does not serve" not in text  # left out unless --all
    assert "does not serve this line" in run(str(CA), "--all").output


def test_json_has_a_margin_and_a_limit_per_time_scale() -> None:
    found = json.loads(run(str(CA), "--json").output)
    clock = found["transitions"]["clock729"]
    assert clock["recommended"] == "cavity_atoms"
    assert clock["requirement"]["uses"][0]["kind"] == "coherent-pulse"
    comb = next(offer for offer in clock["offers"] if offer["name"] == "rf_comb")
    assert comb["suffices"] == "bad"
    assert comb["limited_by"] == "linewidth"
    assert "multiplied to the optical" in comb["reason"]
    scales = comb["time_scales"]
    assert {"use", "time_s", "what", "margin", "unknown", "limited_by"} == set(scales[0])
    pulse = next(row for row in scales if row["what"] == "noise at the Rabi frequency")
    assert pulse["time_s"] == pytest.approx(1e-5)
    assert pulse["margin"] < 1
    for offer in clock["offers"]:
        assert offer["sources"]
        assert [row["time_s"] for row in offer["time_scales"]]


def test_none_suffices_is_an_answer(tmp_path: Path) -> None:
    path = tmp_path / "lab.toml"
    path.write_text(CA.read_text().replace("tolerance_hz = 5e3", "tolerance_hz = 1e-6"))
    result = run(str(path))
    assert result.exit_code == 0
    text = " ".join(result.output.split())
    assert "none of these suffices" in text
    assert "the uses alone would be served by cavity_atoms" in text
    assert run(str(path), "--require").exit_code == 1
    assert run(str(CA), "--require").exit_code == 0


def test_more_than_needed_is_said_plainly() -> None:
    text = " ".join(run(str(ROOT / "examples" / "labs" / "gnss_comb.toml")).output.split())
    assert "you already have more than you need: rf_comb; wavemeter_servo would do" in text
    assert "what you have, rf_comb, suffices" in text


def test_a_reference_of_ones_own_takes_part(tmp_path: Path) -> None:
    path = tmp_path / "mine.json"
    table = {
        "labref_offer": 1, "name": "mine", "part": "whole", "effort": 1,
        "nominal_hz": "411042129776400.4", "source": "invented",
        "accuracy": {"u": 1e-15}, "drift": {"per_s": 0},
        "sigma_y": {"tau_s": [1e-3, 1e7], "value": [1e-15, 1e-15]},
        "s_nu": {"f_hz": [1e-3, 1e8], "value": [0.01, 0.01]},
    }  # fmt: skip
    path.write_text(json.dumps(table))
    found = json.loads(run(str(CA), "--offer", str(path), "--json").output)
    assert found["transitions"]["clock729"]["recommended"] == "mine"
    del table["s_nu"]
    path.write_text(json.dumps(table))
    found = json.loads(run(str(CA), "--offer", str(path), "--json").output)
    clock = found["transitions"]["clock729"]
    assert clock["recommended"] == "cavity_atoms"
    mine = next(offer for offer in clock["offers"] if offer["name"] == "mine")
    assert mine["suffices"] == "unknown"
    assert mine["margin"] is None


def test_the_figure_is_drawn(tmp_path: Path, need_package: Callable[[str], None]) -> None:
    need_package("matplotlib")
    path = tmp_path / "plan.svg"
    assert (
        run(str(ROOT / "examples" / "labs" / "own_cavity.toml"), "--plot", str(path)).exit_code == 0
    )
    text = path.read_text()
    assert "need: gate" in text
    assert "cavity_rf_comb" in text


def test_what_if_lists_the_flips() -> None:
    lab = str(ROOT / "examples" / "labs" / "molecular_comb.toml")
    found = json.loads(run(lab, "--json", "--what-if").output)
    accuracy = [
        f for f in found["flips"] if (f["part"], f["entry"]) == ("molecular_line", "accuracy")
    ]
    assert {f["factor"]: f["after"] for f in accuracy} == {10.0: "telecom_comb"}
    assert "answers flip" in run(lab, "--what-if").output


def test_the_readme_block_is_a_lab(tmp_path: Path) -> None:
    readme = (ROOT / "README.md").read_text("utf-8")
    part = readme[readme.index("**Choose a reference**") :]
    block = part[part.index("```toml") + 7 :].split("```")[0]
    text = CA.read_text()
    head, tail = text.split("[transitions.clock729.uses.gate]", 1)
    rest = tail[tail.index("[transitions.clock729.shifts") :]
    path = tmp_path / "lab.toml"
    path.write_text(f"{head}{rest}\n{block}")
    clock = json.loads(run(str(path), "--json").output)["transitions"]["clock729"]
    assert clock["requirement"]["uses"][0]["use"] == "gate"
    assert clock["held_by"] == "cavity_rf_comb"
    assert clock["offers"][3]["name"] == "fluorescence_steered"
    assert next(o for o in clock["offers"] if o["name"] == "rf_comb")["effort"] == 8.0


def test_offers_beside_the_lab_file_are_found(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(
        'labref_offer = 1\nname = "rf_comb"\npart = "anchor"\ncoherent = false\n'
        "[accuracy]\nu = 1e-9\n[drift]\nper_s = 0\n[sigma_y]\ntau_s = [1e-6, 1e7]\n"
        "value = [1e-9, 1e-9]\n[s_nu]\nf_hz = [1e-7, 1e9]\nvalue = [1, 1]\n"
    )
    path = tmp_path / "lab.toml"
    lattice = (ROOT / "examples" / "labs" / "gnss_comb.toml").read_text()
    path.write_text(f'{lattice}offers = ["mine.toml"]\n')
    found = json.loads(run(str(path), "--json").output)["transitions"]["lattice813"]
    # The lab's own comb is a thousand times worse: it stands in the place of the package's.
    assert found["recommended"] == "molecular_comb"
