"""Errors of form: each with its exact line and text."""

from __future__ import annotations

from typing import Any

import pytest

from labref.config.lab import load_lab, parse_lab
from labref.model.errors import LabFileError


def test_the_small_lab_is_in_order(lab: Any) -> None:
    assert lab().warnings == ()


def only_error(data: bytes) -> str:
    with pytest.raises(LabFileError) as caught:
        parse_lab(data, "lab.toml")
    assert len(caught.value.problems) == 1
    return str(caught.value)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "lab.toml:1: the file is empty: it starts with labref = 1"),
        (b" \n\n", "lab.toml:1: the file is empty: it starts with labref = 1"),
        (
            b'labref = 1\ntitle = "\xe4"\n',
            "lab.toml:2: byte 0xe4 is not UTF-8: save the file as UTF-8 text",
        ),
        (
            b"labref = 1\ntitle = caf\n",
            "lab.toml:2: not TOML: column 9: Invalid value",
        ),
        (
            b"labref = 1\n[channels.a]\nu = 1\nu = 2\n",
            "lab.toml:4: not TOML: column 6: Cannot overwrite a value",
        ),
        (
            b"labref = 1\n[channels.a]\n[channels.a]\n",
            "lab.toml:3: not TOML: column 12: Cannot declare ('channels', 'a') twice",
        ),
        (
            b'labref = 1\ntitle = "no end',
            "lab.toml:2: not TOML: Unterminated string at the end of the file",
        ),
        (
            b"labref = 1\ntitle = " + b"[" * 20000,
            "lab.toml: lists or tables nested too deeply",
        ),
        (
            b"title = 'x'\n",
            "lab.toml:1: labref: the schema version is missing: the first line is labref = 1",
        ),
        (
            b"# comment\nlabref = 2\nfuture = 3\n",
            "lab.toml:2: labref: this file has schema version 2, this labref reads 1: "
            "install a newer labref",
        ),
        (
            b"labref = 0\n",
            "lab.toml:1: labref: there is no schema version 0: the first line is labref = 1",
        ),
        (
            b"labref = true\n",
            "lab.toml:1: labref: the schema version is a whole number: the first line is "
            "labref = 1",
        ),
        (
            b'labref = "1"\n',
            "lab.toml:1: labref: the schema version is a whole number: the first line is "
            "labref = 1",
        ),
        (
            b"labref = 1\nx = " + b"9" * 5000,
            "lab.toml:2: a number of thousands of digits cannot be read",
        ),
    ],
)
def test_a_file_of_which_nothing_can_be_made(data: bytes, message: str) -> None:
    assert only_error(data) == message


def test_a_file_that_is_not_there(tmp_path: Any) -> None:
    with pytest.raises(LabFileError, match="cannot be read: No such file or directory"):
        load_lab(tmp_path / "absent.toml")
    with pytest.raises(LabFileError, match="cannot be read: Is a directory"):
        load_lab(tmp_path)


def test_windows_line_ends_and_a_byte_order_mark(small_lab: str) -> None:
    data = b"\xef\xbb\xbf" + small_lab.replace("\n", "\r\n").encode()
    assert parse_lab(data).title == "small comb lab"
    data = data.replace(b"sigma = 1\r\n", b"sigma = true\r\n")
    with pytest.raises(LabFileError, match=r"lab\.toml:24: channels\.beat\.sigma: "):
        parse_lab(data)


@pytest.mark.parametrize(
    ("old", "new", "where", "what"),
    [
        (
            "tolerance_hz = 1e4",
            "tolerence_hz = 1e4",
            "transitions.clock729.tolerence_hz",
            "unknown key 'tolerence_hz', did you mean 'tolerance_hz'?",
        ),
        (
            'loop = "in"\nreference = "maser"\nsigma = 0.5',
            'loop = "inn"\nreference = "maser"\nsigma = 0.5',
            "channels.f_ceo.loop",
            '\'inn\' is text; one of "free", "in", "out" is meant, did you mean \'in\'?',
        ),
        (
            "n = 1644168",
            "n = 1644168.5",
            "lasers.clock.n",
            "1644168.5 is a number; a whole number is meant",
        ),
        ("n = 1644168", "n = 0", "lasers.clock.n", "0 must be greater than zero"),
        (
            "n = 1644168",
            "n = true",
            "lasers.clock.n",
            "true is true or false; a whole number is meant",
        ),
        (
            'beat = "beat"',
            "beat = 33",
            "lasers.clock.beat",
            "33 is a whole number; text in quotes or a table is meant",
        ),
        ("sigma = 0.5", "sigma = -0.5", "channels.f_ceo.sigma", "-0.5 must not be negative"),
        (
            "sigma = 0.5",
            "sigma = nan",
            "channels.f_ceo.sigma",
            "NaN is not a finite number: a finite decimal number is meant",
        ),
        (
            "sigma = 0.5",
            "sigma = inf",
            "channels.f_ceo.sigma",
            "Infinity is not a finite number: a finite decimal number is meant",
        ),
        (
            "sigma = 0.5",
            "sigma = 1e999999999",
            "channels.f_ceo.sigma",
            "1E+999999999 is outside 1e-60 to 1e60: a finite decimal number is meant",
        ),
        (
            "sigma = 0.5",
            'sigma = "0.5"',
            "channels.f_ceo.sigma",
            "'0.5' is text; a number is meant",
        ),
        (
            "nominal_hz = 30000000",
            "nominal_hz = 1" + "0" * 60,
            "channels.beat.nominal_hz",
            "this number is larger than 1e60",
        ),
        (
            'checked = "2026-01-01"',
            "checked = 2026-01-01",
            "references.maser.checked",
            "2026-01-01 is a date or time (write it in quotes); text in quotes is meant",
        ),
        (
            'checked = "2026-01-01"',
            'checked = "last May"',
            "references.maser.checked",
            "'last May' is not an ISO 8601 date and time such as 2026-11-25T08:00:00Z",
        ),
        (
            "tolerance_hz = 1e4",
            "tolerance_hz = [1e4, -1e4]",
            "transitions.clock729.tolerance_hz",
            "[1E+4, -1E+4]: the lower limit comes first and is smaller",
        ),
        (
            "tolerance_hz = 1e4",
            "tolerance_hz = [1, 2, 3]",
            "transitions.clock729.tolerance_hz",
            "3 values; a list of 2 (a number, a number) is meant",
        ),
        (
            "tolerance_hz = 1e4",
            'tolerance_hz = "1e4"',
            "transitions.clock729.tolerance_hz",
            "'1e4' is text; a number or a list of 2 (a number, a number) is meant",
        ),
        (
            'witnesses = ["coarse"]',
            'witnesses = "coarse"',
            "transitions.clock729.witnesses",
            "'coarse' is text; a list (text in quotes each) is meant",
        ),
        (
            "gate_s = 1\nstart",
            "gate_s = 0\nstart",
            "logs.night.gate_s",
            "0 s is shorter than 1 ns: the key is in seconds",
        ),
        (
            "path = [{ aom_hz = 80e6",
            "path = [{ amo_hz = 80e6",
            "transitions.clock729.path[0].amo_hz",
            "unknown key 'amo_hz', did you mean 'aom_hz'?",
        ),
    ],
)
def test_one_wrong_value(
    problems: Any, edit: Any, old: str, new: str, where: str, what: str
) -> None:
    text = edit((old, new))
    key = where.rsplit(".", 1)[1] + " ="
    line = text[: text.index(new) + new.index(key)].count("\n") + 1
    assert f"lab.toml:{line}: {where}: {what}" in problems((old, new))


def test_an_unknown_table_names_the_nearest(problems: Any) -> None:
    assert problems(("[combs.main]", "[comb.main]"))[0] == (
        "lab.toml:36: comb: unknown table or key 'comb', did you mean 'combs'?"
    )


def test_a_table_of_a_plugin_that_is_not_installed(problems: Any, small_lab: str) -> None:
    found = problems(text=small_lab + "\n[zebra]\nx = 1\n")
    assert len(found) == 1
    assert found[0].startswith("lab.toml:60: zebra: unknown table or key 'zebra'; known are alarms")
    assert found[0].endswith("(or is its plugin not installed?)")


@pytest.mark.parametrize(
    ("old", "table", "what"),
    [
        (
            "tolerance_hz = 1e4\n",
            "transitions.clock729",
            "'tolerance_hz' is missing: how far the light may be from the target, in Hz",
        ),
        (
            "u = 1e-13\n",
            "references.maser",
            "'u' is missing: its fractional standard uncertainty, such as 1e-12",
        ),
        (
            "columns = { f_rep = 1, f_ceo = 2, beat = 3, wavemeter = 4 }\n",
            "logs.night",
            "'columns' is missing: which channel stands in which column, such as { beat = 2 }",
        ),
    ],
)
def test_a_missing_key_is_reported_at_its_table(
    problems: Any, edit: Any, line_of: Any, old: str, table: str, what: str
) -> None:
    line = line_of(f"[{table}]", edit((old, "")))
    assert problems((old, "")) == [f"lab.toml:{line}: {table}: {what}"]


def test_all_errors_at_once_sorted_by_line(problems: Any) -> None:
    found = problems(
        ('checked = "2026-01-01"', 'cheked = "2026-01-01"'),
        ("sigma = 0.5", 'sigma = "half"'),
        ("n = 1644168", "n = -1"),
        ("within = 10e6\n", ""),
        ("tolerance_hz = 1e4", "tolerance_khz = 10"),
    )
    lines = [int(line.split(":")[1]) for line in found]
    assert lines == sorted(lines)
    assert len(found) == 5
    assert any("unknown key 'cheked', did you mean 'checked'?" in line for line in found)
    assert any("'half' is text; a number is meant" in line for line in found)
    assert any("-1 must be greater than zero" in line for line in found)
    # One slip, one line: the key that is meant is named, and not called missing besides.
    assert any("tolerance_hz = 10000" in line for line in found)


@pytest.mark.parametrize(
    "name", ["a.b", "a/b", "", "a b", "a" * 49, "a\\u0000", "a\\n", "\\u202e", "a:b"]
)
def test_names_that_would_not_survive_in_a_trace(problems: Any, small_lab: str, name: str) -> None:
    found = problems(text=small_lab + f'\n[references."{name}"]\nu = 1e-12\n')
    assert len(found) == 1
    assert found[0].startswith("lab.toml:60: references.")
    assert "for a name" in found[0] or "cannot be a name" in found[0]


def test_greek_names_are_names(lab: Any, small_lab: str) -> None:
    assert "λ-meter" in lab(text=small_lab + '\n[references."λ-meter"]\nu = 1e-12\n').references


def test_numbers_are_exact(lab: Any) -> None:
    exact = lab(("target_hz = 411042130000000", "target_hz = 411042130000000.4"))
    assert exact.transitions["clock729"].target.hz * 10 == 4110421300000004
    same = lab(("target_hz = 411042130000000", "target_hz = 4.1104213e14"))
    assert same.transitions["clock729"].target.hz == 411042130000000


@pytest.mark.parametrize("depth", [40, 400, 3000])
@pytest.mark.parametrize(
    "form", ["x{dots} = 1", "[x{dots}]", "x = {opened}{closed}", "x = {tables}"]
)
def test_any_depth_ends_with_an_error(depth: int, form: str) -> None:
    row = form.format(
        dots=".a" * depth,
        opened="[" * depth,
        closed="]" * depth,
        tables="{a=" * depth + "1" + "}" * depth,
    )
    only_error(f"labref = 1\n{row}\n".encode())
