"""Every example lab file loads, and every single slip in one is found where it was made."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from labref.config.lab import Lab, load_lab, parse_lab
from labref.config.locate import Locator, dotted
from labref.config.locate import Path as Place
from labref.model.errors import LabFileError

EXAMPLES = sorted((Path(__file__).parents[2] / "examples").glob("*.toml"))
CA_LAB = next(path for path in EXAMPLES if path.name == "ca_ion_lab.toml").read_text()

# Keys that the commented example could do without: (kind of table, key). Everything else that
# it says is needed, and its loss is found.
OPTIONAL = {
    ("title",),
    ("alarms", "on_delay_s"),
    ("alarms", "off_delay_s"),
    ("alarms", "deadband"),
    ("alarms", "priority"),
    ("references", "kind"),
    ("references", "checked"),
    ("references", "height_m"),
    ("references", "needs"),
    ("lasers", "beat_level"),  # asked by labref commission alone
    ("channels", "kind"),
    ("channels", "loop"),  # a warning: free
    ("channels", "sigma"),  # a warning: to be measured
    ("channels", "hold_s"),
    ("channels", "gate_s"),
    ("channels", "u"),  # of a wavemeter, which is no part of an equation
    ("channels", "unit"),
    ("combs", "f_ceo_sign"),
    ("lasers", "sign"),
    ("witnesses", "kind"),  # of a level, which is the default
    ("witnesses", "max_age_s"),
    ("transitions", "source"),
    ("transitions", "plane"),
    ("transitions", "path"),
    ("transitions", "order"),
    ("transitions", "passes"),
    ("transitions", "intended_offset_hz"),
    ("transitions", "unwatched"),
    ("transitions", "u_hz"),
    ("transitions", "saturation"),  # of uses, which have defaults
    ("transitions", "excess"),
    ("transitions", "kept"),
    ("transitions", "loss"),
    ("transitions", "error"),
    ("transitions", "isotope_shift_hz"),
    ("transitions", "isotope_ratio"),
}


def keys(text: str) -> Iterator[tuple[Place, re.Match[str]]]:
    """Every ``key =`` of the text outside comments, with its path."""
    lines = Locator(text).lines
    for match in re.finditer(r"(?m)(?<![\w#])([A-Za-z_]\w*) = ", text):
        row = text.count("\n", 0, match.start()) + 1
        before = text[text.rfind("\n", 0, match.start()) + 1 : match.start()]
        if "#" in before:
            continue
        places = [p for p, line in lines.items() if line == row and p and p[-1] == match[1]]
        yield places[0], match


def value_end(text: str, start: int) -> int:
    """End of the value that begins at ``start``: the shortest text that is TOML."""
    for end in range(start + 1, len(text) + 1):
        if end < len(text) and text[end] not in "\n,}] ":
            continue
        try:
            tomllib.loads("x = " + text[start:end])
        except tomllib.TOMLDecodeError:
            continue
        return end
    raise AssertionError(text[start : start + 40])


def without(text: str, match: re.Match[str]) -> str:
    """The text without one key and its value; an inline separator goes with it."""
    end = value_end(text, match.end())
    tail = re.match(r"\s*,\s*", text[end:])
    if tail:
        return text[: match.start()] + text[end + tail.end() :]
    head = re.search(r",\s*$", text[: match.start()])
    return text[: head.start() if head else match.start()] + text[end:]


def load(text: str) -> Lab | LabFileError:
    try:
        return parse_lab(text, "ca.toml")
    except LabFileError as error:
        return error


KEYS = list(keys(CA_LAB))


def first_of_each_kind() -> list[tuple[Place, re.Match[str]]]:
    """The first key of each kind: five lasers have the same keys."""
    chosen: dict[Place, tuple[Place, re.Match[str]]] = {}
    for place, match in KEYS:
        chosen.setdefault((*place[:1], *place[2:]), (place, match))
    return list(chosen.values())


FIRST = first_of_each_kind()


def test_the_example_has_keys_of_every_kind() -> None:
    kinds = {place[0] for place, _ in KEYS}
    assert kinds >= {"references", "instruments", "channels", "combs", "lasers", "witnesses"}
    assert len(KEYS) > 150


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
def test_every_example_loads(path: Path) -> None:
    lab = load_lab(path)
    assert lab.transitions
    assert lab.text == path.read_text()


def test_the_commented_example_gives_no_warning() -> None:
    assert parse_lab(CA_LAB).warnings == ()


def misspell(chosen: list[tuple[Place, re.Match[str]]]) -> None:
    for place, match in chosen:
        wrong = match[1][:-1] + ("y" if match[1][-1] != "y" else "z") + "q"
        text = CA_LAB[: match.start(1)] + wrong + CA_LAB[match.end(1) :]
        result = load(text)
        assert isinstance(result, LabFileError), place
        line = text.count("\n", 0, match.start()) + 1
        assert any(p.line == line and repr(wrong) in p.what for p in result.problems) or (
            place == ("labref",) and "schema version is missing" in str(result)
        ), (place, str(result))


def lose(chosen: list[tuple[Place, re.Match[str]]]) -> set[Place]:
    """Lose each key in turn; return the kinds whose loss is accepted."""
    accepted: set[Place] = set()
    for place, match in chosen:
        text = without(CA_LAB, match)
        result = load(text)
        if isinstance(result, Lab):
            accepted.add((*place[:1], match[1]) if len(place) > 1 else place)
            continue
        # A loss is reported in its own table, or by that table's name where it is used, or it
        # changes where the light is said to be.
        home = dotted(place[:2])
        assert any(
            p.where.startswith(home)
            or (len(place) > 1 and repr(place[1]) in p.what)
            or "where this equation puts the light" in p.what
            for p in result.problems
        ), (place, str(result))
        if len(place) == 2 and f"{match[1]!r} is missing" in str(result):
            line = Locator(text).line(place[:2])
            assert any(p.line == line and match[1] in p.what for p in result.problems)
    return accepted


def test_a_misspelt_key_is_named_on_its_line() -> None:
    misspell(FIRST)


def test_a_lost_key_is_named_at_its_table_or_was_optional() -> None:
    assert lose(FIRST) <= OPTIONAL


@pytest.mark.long
def test_every_single_key_misspelt_and_lost() -> None:
    misspell(KEYS)
    assert lose(KEYS) == OPTIONAL


def test_every_thing_that_is_renamed_is_missed_where_it_is_used() -> None:
    for match in re.finditer(r"(?m)^\[(\w+)\.(\w+)\]", CA_LAB):
        kind, name = match[1], match[2]
        if kind == "transitions":
            continue
        text = CA_LAB[: match.end(2)] + "_x" + CA_LAB[match.end(2) :]
        result = load(text)
        assert isinstance(result, LabFileError) or name == "gnss", name
        uses = {
            line
            for line, row in enumerate(text.splitlines(), 1)
            if re.search(rf'= .*"{name}"', row.split("#")[0]) and not row.startswith("kind")
        }
        if isinstance(result, LabFileError):
            found = {p.line for p in result.problems if f"{name!r}, did you mean" in p.what}
            assert found == uses, (name, str(result))


def test_two_channels_that_change_places_are_noticed() -> None:
    """Numbers that belong to another laser put the light far from its target."""
    text = CA_LAB.replace("n = 1383929", "n = 1403378", 1)
    result = load(text)
    assert isinstance(result, Lab)
    assert any("from the target" in warning.what for warning in result.warnings)
