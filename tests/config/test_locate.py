"""Lines of keys: every way to write a key in TOML 1.0, and any document."""

from __future__ import annotations

import json
import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labref.config.locate import Locator, dotted

WAYS = '''\
# every way to write a key
plain = 1
"quoted key" = 2
'literal "key"' = 3
a.b . c = 4
"a".d = 5
text = """
fake = 1
[fake]
""" # fake = 2
literal = \'\'\'
fake = '''
WAYS += """'''
list = [
    1,  # fake = 3
    [2, 3],
    { x = 1, y.z = [4,
        5] },
]
[table]  # [fake]
key = "]} # , = \\"x\\" "
[table.sub]
key = 'C:\\'
["table"."other sub"]
date = 1979-05-27 07:32:00
inline = { a = 1, b = { c = "}" } }
[[rows]]
n = 1
[rows.part]
n = 2
[[rows]]
n = 3
[[rows.inner]]
n = 4
[[rows.inner]]
n = 5
"""


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("plain",), 2),
        (("quoted key",), 3),
        (('literal "key"',), 4),
        (("a", "b", "c"), 5),
        (("a", "d"), 6),
        (("text",), 7),
        (("literal",), 11),
        (("list",), 13),
        (("list", 0), 14),
        (("list", 1, 1), 15),
        (("list", 2), 16),
        (("list", 2, "y", "z", 0), 16),
        (("list", 2, "y", "z", 1), 17),
        (("table",), 19),
        (("table", "key"), 20),
        (("table", "sub", "key"), 22),
        (("table", "other sub"), 23),
        (("table", "other sub", "date"), 24),
        (("table", "other sub", "inline", "b", "c"), 25),
        (("rows", 0, "n"), 27),
        (("rows", 0, "part", "n"), 29),
        (("rows", 1), 30),
        (("rows", 1, "n"), 31),
        (("rows", 1, "inner", 0, "n"), 33),
        (("rows", 1, "inner", 1, "n"), 35),
        (("table", "sub", "absent"), 21),
        (("absent", "absent"), 1),
    ],
)
def test_every_way_to_write_a_key(path: Any, line: int) -> None:
    tomllib.loads(WAYS)
    assert Locator(WAYS).line(path) == line


def test_nothing_inside_a_string_is_a_key() -> None:
    assert not any("fake" in str(path) for path in Locator(WAYS).lines)


def test_a_table_stands_where_its_own_header_is() -> None:
    text = "[a.b]\nx = 1\n[a]\ny = 2\n"
    assert Locator(text).line(("a",)) == 3
    assert Locator(text).line(("a", "b")) == 1


KEYS = st.text(min_size=0, max_size=6).filter(lambda k: max(k, default="a") < "\ud800")
SCALARS = (
    st.integers(-5, 5)
    | st.booleans()
    | st.text(max_size=8).filter(lambda k: max(k, default="a") < "\ud800")
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=12,
)


def write_value(value: Any, newlines: bool) -> str:
    if isinstance(value, dict):
        return (
            "{ "
            + ", ".join(f"{quoted(k)} = {write_value(v, False)}" for k, v in value.items())
            + " }"
        )
    if isinstance(value, list):
        gap = "\n  # comment ] }\n" if newlines else " "
        return "[" + gap + ("," + gap).join(write_value(v, newlines) for v in value) + gap + "]"
    if isinstance(value, bool):
        return str(value).lower()
    return quoted(value) if isinstance(value, str) else str(value)


def quoted(text: str) -> str:
    # JSON strings are TOML basic strings, but for the delete character.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def paths(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    items = (
        value.items()
        if isinstance(value, dict)
        else enumerate(value)
        if isinstance(value, list)
        else ()
    )
    return [path] * bool(path) + [p for key, item in items for p in paths(item, (*path, key))]


@settings(deadline=None)
@given(st.dictionaries(KEYS, st.dictionaries(KEYS, VALUES, max_size=4), max_size=4))
def test_every_key_of_any_document_is_found_on_its_line(document: dict[str, Any]) -> None:
    text = ""
    for name, table in document.items():
        text += f"# note\n[{quoted(name)}]\n"
        for key, value in table.items():
            text += f"{quoted(key)} = {write_value(value, newlines=True)}\n"
    assert tomllib.loads(text) == document
    locator = Locator(text)
    lines = text.split("\n")
    for path in paths(document):
        assert path in locator.lines, path
        if isinstance(path[-1], str):
            assert quoted(path[-1]) in lines[locator.line(path) - 1]


@settings(deadline=None)
@given(st.lists(st.text(max_size=5) | st.integers(0, 9), max_size=4))
def test_a_path_is_one_printable_line(path: list[Any]) -> None:
    assert "\n" not in dotted(tuple(path))
    assert dotted(tuple(path)).isprintable()


def test_paths_as_text() -> None:
    assert dotted(("transitions", "clock", "path", 0, "aom")) == "transitions.clock.path[0].aom"
    assert dotted(("logs", "a b", 'c"d')) == 'logs."a b"."c\\"d"'
