"""Tables of the lab file that plugins own."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any

import pytest

from labref.config.fields import LaserName, Positive, Table, needed
from labref.config.lab import Lab, parse_lab
from labref.model.errors import LabFileError


class Servo(Table, frozen=True, kw_only=True):
    """``[servo]`` of an invented plugin."""

    laser: Annotated[LaserName, needed("which laser is steered")]
    gain: Positive = 1
    steps: tuple[int, ...] = ()
    weight: float = 1.0

    def check_lab(self, lab: Lab) -> Iterator[tuple[tuple[str | int, ...], str]]:
        """Refuse lasers without a comb."""
        if not lab.lasers[self.laser].combs:
            yield ("laser",), f"laser {self.laser!r} has no comb to be steered by"


def load(text: str, tables: Any) -> Lab:
    return parse_lab(text, "lab.toml", tables)


def errors(text: str, tables: Any) -> list[str]:
    with pytest.raises(LabFileError) as caught:
        load(text, tables)
    return str(caught.value).splitlines()


def test_a_plugin_gets_its_own_struct(small_lab: str) -> None:
    lab = load(
        small_lab + '[servo]\nlaser = "clock"\ngain = 0.5\nsteps = [1, 2]\nweight = 0.25\n',
        {"servo": Servo},
    )
    servo = lab.tables["servo"]
    assert isinstance(servo, Servo)
    assert (servo.laser, servo.gain * 2) == ("clock", 1)
    assert (servo.steps, servo.weight) == ((1, 2), 0.25)


def test_a_table_that_is_not_written_is_not_there(small_lab: str) -> None:
    assert dict(load(small_lab, {"servo": Servo}).tables) == {}


def test_a_plugin_may_own_named_tables(small_lab: str) -> None:
    text = small_lab + '[servo.a]\nlaser = "clock"\n[servo.b]\nlaser = "clock"\ngain = 2\n'
    lab = load(text, {"servo": dict[str, Servo]})
    assert {name: servo.gain for name, servo in lab.tables["servo"].items()} == {"a": 1, "b": 2}


def test_errors_in_a_plugins_table_come_with_all_the_others(small_lab: str) -> None:
    text = small_lab.replace("n = 1644168", "n = 0") + '[servo]\nlaser = "clack"\ngian = 2\n'
    assert errors(text, {"servo": Servo}) == [
        "lab.toml:42: lasers.clock.n: 0 must be greater than zero",
        "lab.toml:60: servo.laser: no laser 'clack', did you mean 'clock'?",
        "lab.toml:61: servo.gian: unknown key 'gian', did you mean 'gain'?",
    ]


def test_a_plugin_checks_its_table_against_the_lab(small_lab: str) -> None:
    text = small_lab + ('[lasers.plain]\nchannel = "wavemeter"\n[servo]\nlaser = "plain"\n')
    assert errors(text, {"servo": Servo}) == [
        "lab.toml:62: servo.laser: laser 'plain' has no comb to be steered by"
    ]


def test_a_plugins_table_is_unknown_without_it(small_lab: str) -> None:
    found = errors(small_lab + '[servo]\nlaser = "clock"\n', {})
    assert len(found) == 1
    assert "unknown table or key 'servo'" in found[0]
