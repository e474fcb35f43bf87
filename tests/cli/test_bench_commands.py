"""`labref mode-number`, `labref transitions`, `labref air` as a person at the bench uses them."""

import json
from typing import Any

import pytest
from click.testing import CliRunner, Result

from labref.cli.air import command as air
from labref.cli.mode_number import command as mode_number
from labref.cli.transitions import command as transitions

ONE = {"--f-rep": "250000000", "--f-ceo": "20000000", "--beat": "109776400.4"}
TWO = ["--f-rep", "250000000", "--f-rep", "250000050", "--beat", "109776400.4"]
TWO += ["--beat", "27568000.4", "--f-ceo", "20000000"]
COARSE_4 = ["--coarse", "4", "--coarse-u", "1", "--f-ceo", "0"]


def run(command: Any, *arguments: str) -> Result:
    return CliRunner().invoke(command, list(arguments))


def coarse(value: str, u: str, *more: str, **changes: str) -> Result:
    options = ONE | {"--coarse": value, "--coarse-u": u} | changes
    flat = [text for pair in options.items() for text in pair]
    return run(mode_number, *flat, *more)


def test_one_coarse_value_is_enough() -> None:
    result = coarse("411042131000000", "2e6", "--json")
    assert result.exit_code == 0
    answer = json.loads(result.stdout)
    assert answer["n"] == 1644168
    assert answer["sign"] == "+"
    assert answer["frequency_hz"] == "411042129776400.4"
    assert answer["margin_hz"] == "15223599.6"
    assert answer["refused"] is None
    assert answer["candidates"][0] == {
        "n": 1644168,
        "sign": "+",
        "f_ceo_sign": "+",
        "frequency_hz": "411042129776400.4",
        "distance_u": pytest.approx(-0.6118),
        "plausible": True,
        "note": "",
    }


def test_a_negative_f_ceo_is_a_signed_value() -> None:
    changes = {"--f-rep": "250000012.345", "--f-ceo": "-35000000", "--beat": "105520865.905"}
    answer = json.loads(coarse("411042129000000", "1e6", "--json", **changes).stdout)
    assert (answer["n"], answer["sign"]) == (1644169, "-")
    assert answer["frequency_hz"] == "411042129776400.4"


def test_two_plausible_candidates_exit_with_3_and_are_listed() -> None:
    result = coarse("411042131000000", "1e7", "--json")
    assert result.exit_code == 3
    answer = json.loads(result.stdout)
    assert (answer["n"], answer["sign"], answer["frequency_hz"]) == (None, None, None)
    assert answer["refused"].startswith("mode number refused: 2 candidates lie within 5.0 u")
    assert [c["plausible"] for c in answer["candidates"][:3]] == [True, True, False]
    plain = coarse("411042131000000", "1e7")
    assert plain.exit_code == 3
    assert "2 candidates" in plain.stderr
    assert plain.stdout.count("plausible") == 2
    # A known sign, or a smaller k, or a better value resolves it.
    assert coarse("411042131000000", "1e7", "--sign", "+").exit_code == 0
    assert coarse("411042131000000", "1e7", "--k", "2").exit_code == 0


def test_a_laser_that_moved_and_an_unknown_sign_of_f_ceo() -> None:
    assert coarse("411042129776400", "1e6", "--moved", "2.6e7").exit_code == 3
    assert coarse("411042129776400", "1e6", "--moved", "2.4e7").exit_code == 0
    result = coarse("411042129776400", "1e6", "--f-ceo-sign-unknown")
    assert result.exit_code == 0
    assert "to where the next one is nearer" in result.stdout


def test_two_repetition_rates_need_no_coarse_value() -> None:
    result = run(mode_number, *TWO, "--beat-u", "0.5", "--json")
    assert result.exit_code == 0
    answer = json.loads(result.stdout)
    assert (answer["n"], answer["sign"]) == (1644168, "+")
    assert answer["frequency_hz"] == "411042129776400.4"
    assert "beat followed" in answer["evidence"]
    # What would fit if the beat had crossed zero is told.
    assert answer["candidates"][1]["note"].startswith("fits only if the beat crossed")
    assert run(mode_number, *TWO, "--beat-u", "0.5", "--not-followed").exit_code == 3
    assert run(mode_number, *TWO, "--beat-u", "4").exit_code == 3


def test_two_rates_without_f_ceo_give_n_but_no_frequency() -> None:
    result = run(mode_number, *TWO[:-2], "--beat-u", "0.5", "--json")
    answer = json.loads(result.stdout)
    assert (answer["n"], answer["frequency_hz"]) == (1644168, None)
    assert "not known without --f-ceo" in run(mode_number, *TWO[:-2], "--beat-u", "0.5").stdout


def test_two_rates_and_a_coarse_value_of_gigahertz() -> None:
    nu, f_ceo = 411042129776400, 20000000
    rates = (250000000, 250123457, 250311111)
    options = ["--coarse", str(nu + 300_000_000), "--coarse-u", "200e6", "--beat-u", "0.5"]
    for f_rep in rates:
        n = round((nu - f_ceo) / f_rep)
        beat = abs(nu - f_ceo - n * f_rep)
        options += ["--f-rep", str(f_rep), "--beat", str(beat), "--f-ceo", str(f_ceo)]
    answer = json.loads(run(mode_number, *options, "--json").stdout)
    assert (answer["n"], answer["frequency_hz"]) == (1644168, str(nu))


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--f-rep", "1e8", "--beat", "2e7", "--f-ceo", "0"], "needs --coarse and --coarse-u"),
        (["--f-rep", "1e8", "--beat", "2e7", "--coarse", "4e14"], "--coarse without --coarse-u"),
        (["--f-rep", "1e8", "--beat", "2e7", "--coarse-u", "4"], "--coarse-u without --coarse"),
        (
            ["--f-rep", "1e8", "--beat", "2e7", "--coarse", "4e14", "--coarse-u", "1e6"],
            "--f-ceo is missing",
        ),
        ([*TWO], "need --beat-u"),
        ([*TWO, "--beat", "5", "--beat-u", "1"], "--beat is given 3 times for 2"),
        ([*TWO, "--beat-u", "1", "--jump", "1", "--jump", "2"], "--jump is given once"),
        (["--f-rep", "fast", "--beat", "2e7"], "is not a decimal number"),
        (
            ["--f-rep", "-5", "--beat", "2e7", *COARSE_4],
            "positive",
        ),
    ],
)
def test_usage_errors_are_named(arguments: list[str], message: str) -> None:
    result = run(mode_number, *arguments)
    assert result.exit_code == 2
    assert message in result.stderr


def test_transitions_as_json() -> None:
    result = run(transitions, "40Ca+", "729", "--json")
    assert result.exit_code == 0
    rows = json.loads(result.stdout)
    keys = "species transition component frequency_hz uncertainty_hz linewidth_hz year source"
    assert set(keys.split()) | {"verified", "default"} <= set(rows[0])
    assert [row["default"] for row in rows].count(True) == 1
    assert rows[0]["frequency_hz"] == "411042129776400.4"
    assert len(json.loads(run(transitions, "--json").stdout)) > 90


def test_transitions_as_text() -> None:
    result = run(transitions, "40Ca+ 397")
    assert result.stdout.startswith("* 40Ca+ 397")
    assert "u not known" in result.stdout
    assert "memory: F. Gebert" in result.stdout
    empty = run(transitions, "phlogiston")
    assert (empty.exit_code, empty.stdout) == (1, "")
    assert "no transition fits" in empty.stderr


def test_air_in_every_direction() -> None:
    result = run(air, "--frequency", "411042129776400.4", "--json")
    answer = json.loads(result.stdout)
    assert answer["vacuum_nm"].startswith("729.3472767939")
    assert float(answer["air_nm"]) == pytest.approx(729.150110630, abs=1e-9)
    assert answer["frequency_hz"] == "411042129776400.400"
    back = json.loads(run(air, "--wavelength", answer["air_nm"], "--json").stdout)
    assert float(back["frequency_hz"]) == pytest.approx(411042129776400.4, abs=1e3)
    there = json.loads(run(air, "--vacuum", "729.347276793943", "--json").stdout)
    assert float(there["frequency_hz"]) == pytest.approx(411042129776400.4, abs=1e3)
    assert "u 4.1 MHz" in run(air, "--frequency", "411042129776400.4").stdout


def test_air_usage() -> None:
    assert run(air).exit_code == 2
    assert run(air, "--frequency", "1e14", "--vacuum", "500").exit_code == 2
    result = run(air, "--vacuum", "500", "--humidity", "150")
    assert (result.exit_code, "humidity" in result.stderr) == (2, True)
    dry = run(air, "--vacuum", "633", "--humidity", "0", "--formula", "edlen", "--json")
    assert json.loads(dry.stdout)["index"] == pytest.approx(1.000271799, abs=1e-9)
