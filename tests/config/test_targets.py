"""Targets by a line of the catalogue, of the lab, or stated; Zeeman components (M6)."""

from __future__ import annotations

from typing import Any

import pytest

from labref.config.lab import parse_lab
from labref.frequency import transitions as catalogue
from labref.model.exact import exact

STATED = "target_hz = 411042130000000\ntarget_u_hz = 0.5\ntolerance_hz = 1e4\n"
BY_LINE = 'line = "40Ca+ 729"\ntolerance_hz = 1e6\n'


def target(lab: Any, new: str, text: str | None = None) -> Any:
    edit = (STATED, new)
    loaded = lab(edit) if text is None else lab(edit, text=text)
    return loaded.transitions["clock729"].target


def test_a_line_of_the_catalogue(lab: Any) -> None:
    found = target(lab, BY_LINE)
    row = catalogue.get("40Ca+ 729")
    # CIPM 2021
    assert found.hz == row.frequency_hz == exact("411042129776400.4")
    assert found.u_hz == row.uncertainty_hz
    assert found.source == row.source


def test_an_older_value_by_its_year(lab: Any) -> None:
    found = target(lab, 'line = { name = "40Ca+ 729", year = 2013 }\ntolerance_hz = 1e6\n')
    # CIPM 2013
    assert found.hz == 411042129776395
    assert found.u_hz == 6.2


def test_a_stated_uncertainty_stands_before_the_rows(lab: Any) -> None:
    assert target(lab, BY_LINE + "target_u_hz = 9\n").u_hz == 9


def test_a_stated_frequency_is_what_its_line_calls_it(lab: Any) -> None:
    found = target(lab, STATED + 'line = "whatever"\nsource = "my notebook"\n')
    assert (found.hz, found.source) == (411042130000000, "my notebook")


def test_a_line_of_the_labs_own(lab: Any, small_lab: str) -> None:
    text = small_lab + (
        '[[lines]]\nspecies = "40Ca+"\nline = "729"\nfrequency_hz = 411042129776401.25\n'
        'uncertainty_hz = 2\nsource = "our own measurement"\ndefault = true\n'
    )
    found = target(lab, BY_LINE, text)
    assert (found.hz * 4, found.u_hz) == (411042129776401 * 4 + 1, 2)
    assert found.source == "our own measurement"


def test_a_line_of_a_plugin(edit: Any) -> None:
    row = catalogue.from_table(
        {
            "species": "40Ca+",
            "line": "x",
            "frequency_hz": "411042129776400",
            "uncertainty_hz": 1.0,
            "source": "plugin",
        }
    )
    text = edit((STATED, 'line = "40Ca+ x"\ntolerance_hz = 1e6\n'))
    found = parse_lab(text, lines=[row]).transitions["clock729"].target
    assert found.source == "plugin"


def test_a_zeeman_component(lab: Any) -> None:
    field = 'zeeman = { field_t = 4e-4, field_u_t = 1e-8, m_lower = "-1/2", m_upper = "-5/2" }\n'
    found = target(lab, BY_LINE.replace("1e6", "1e5") + field)
    # -2.8 kHz/mG for m = -1/2 to -5/2 (M6): 4 G is -11.2 MHz, 0.1 mG is 280 Hz
    shift = found.shifts[0]
    assert float(shift.hz) == pytest.approx(-11.2e6, rel=1e-3)
    assert shift.u_hz == pytest.approx(280, rel=1e-3)
    assert found.hz == exact("411042129776400.4") + shift.hz


@pytest.mark.parametrize(
    ("new", "where", "what"),
    [
        (
            'line = "40Ca+ 792"\ntolerance_hz = 1e6\n',
            ".line",
            "no transition '40Ca+ 792': there is 40Ca+ 393, 40Ca+ 397, ",
        ),
        (
            'line = { name = "40Ca+ 729", year = 1999 }\ntolerance_hz = 1e6\n',
            ".line",
            "40Ca+ 729: 0 rows fit; there are: ",
        ),
        (
            'line = "40Ca+ 397"\ntolerance_hz = 1e6\n',
            "",
            "'target_u_hz' is missing: the uncertainty of 40Ca+ 397, centroid (2020), ",
        ),
        (
            "line = { year = 2021 }\ntolerance_hz = 1e6\n",
            ".line",
            "'name' is missing: species and line, such as '40Ca+ 729'",
        ),
        (
            STATED + 'zeeman = { field_t = 4e-4, field_u_t = 0, m_lower = "0", m_upper = "0" }\n',
            ".zeeman",
            "a Zeeman component needs its line; beside target_hz, declare it under shifts",
        ),
        (
            BY_LINE
            + 'zeeman = { field_t = 4e-4, field_u_t = 0, m_lower = "-1/2", m_upper = "-7/2" }\n',
            ".zeeman",
            "m = -7/2 does not belong to a level with J = 5/2",
        ),
        (
            BY_LINE
            + 'zeeman = { field_t = 4e-4, field_u_t = 0, m_lower = "up", m_upper = "-5/2" }\n',
            ".zeeman",
            "m = 'up' is no half-integer such as '-1/2'",
        ),
        (
            BY_LINE + 'zeeman = { field_t = 4e-4, m_lower = "-1/2", m_upper = "-5/2" }\n',
            ".zeeman",
            "'field_u_t' is missing: its standard uncertainty in tesla",
        ),
    ],
)
def test_targets_that_cannot_be_used(problems: Any, new: str, where: str, what: str) -> None:
    found = problems((STATED, new))
    assert any(f": transitions.clock729{where}: {what}" in line for line in found), found
