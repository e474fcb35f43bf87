"""The layer rule, read from the syntax trees: import from lower rows only."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

# Rows from the top; parts of one row do not import each other.
ROWS: list[set[str]] = [
    {"cli", "testing"},
    {"session", "planning", "report"},
    {"characterise"},
    {"checks", "actuation", "drivers", "stability", "trace"},
    {"config"},
    {"transport", "frequency"},
    {"hookspecs", "plugins"},
    {"model"},
]
ROW_OF = {part: row for row, parts in enumerate(ROWS) for part in parts}

# Siblings that are one layer in two files.
ONE_LAYER = {("plugins", "hookspecs")}

# Heavy packages, and the one sub-package that may name each.
HOME_OF = {
    "pyvisa": "transport",
    "serial": "transport",
    "h5py": "trace",
    "allantools": "stability",
    "scipy": "stability",
}


def imports_of(path: Path) -> Iterator[tuple[str, int]]:
    """Every module that a file imports, by statement or by importlib with a literal name."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((alias.name, node.lineno) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: relative import"
            yield node.module or "", node.lineno
            for alias in node.names:
                yield f"{node.module}.{alias.name}", node.lineno
        elif isinstance(node, ast.Call) and "import" in ast.unparse(node.func):
            for argument in node.args[:1]:
                if isinstance(argument, ast.Constant) and isinstance(argument.value, str):
                    yield argument.value, node.lineno


def part_of(path: Path) -> str:
    inside = path.relative_to(ROOT / "labref")
    return inside.parts[0].removesuffix(".py")


LIBRARY = sorted((ROOT / "labref").rglob("*.py"))


@pytest.mark.parametrize("path", LIBRARY, ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_from_lower_rows_only(path: Path) -> None:
    part = part_of(path)
    for name, line in imports_of(path):
        pieces = name.split(".")
        where = f"{path.relative_to(ROOT)}:{line}"
        assert pieces[0] not in {"sim_instruments", "plugins"}, f"{where} imports {name}"
        assert not pieces[0].startswith("labref_"), f"{where} imports plugin {name}"
        home = HOME_OF.get(pieces[0])
        assert home in (None, part), f"{where} imports {pieces[0]}, which belongs to {home}"
        if pieces[0] != "labref" or len(pieces) == 1 or part in {"__init__", "__main__"}:
            continue
        other = pieces[1]
        if other == part or other == "__version__" or (part, other) in ONE_LAYER:
            continue
        assert other in ROW_OF, f"{where} imports {name}: no such part"
        assert ROW_OF[part] < ROW_OF[other], f"{where}: {part} imports {name}"


@pytest.mark.parametrize(
    "path", sorted((ROOT / "sim_instruments").rglob("*.py")), ids=lambda p: str(p.relative_to(ROOT))
)
def test_simulators_know_nothing_of_labref(path: Path) -> None:
    import sys

    for name, line in imports_of(path):
        top = name.split(".")[0]
        allowed = top in sys.stdlib_module_names or top in {"numpy", "sim_instruments"}
        assert allowed, f"{path.relative_to(ROOT)}:{line} imports {name}"


@pytest.mark.parametrize(
    "path", sorted((ROOT / "plugins").rglob("*.py")), ids=lambda p: str(p.relative_to(ROOT))
)
def test_plugins_see_labref_only(path: Path) -> None:
    plugin = path.relative_to(ROOT / "plugins").parts[0]
    for name, line in imports_of(path):
        top = name.split(".")[0]
        # A campaign compares what labref says with what the simulated laboratory did.
        meets = plugin == "labref_campaign" and top == "sim_instruments"
        assert meets or top != "sim_instruments", f"{path}:{line} imports {name}"
        assert not top.startswith("labref_") or top == plugin, f"{path}:{line} imports {name}"


def test_model_needs_the_standard_library_and_numpy_only() -> None:
    import sys

    for path in (ROOT / "labref" / "model").rglob("*.py"):
        for name, line in imports_of(path):
            top = name.split(".")[0]
            allowed = top in sys.stdlib_module_names or top in {"numpy", "labref"}
            assert allowed, f"{path}:{line} imports {name}"


def test_the_rule_bites() -> None:
    """The reader of syntax trees sees imports inside functions and through importlib."""
    source = ROOT / "tests" / "test_layers.py"
    assert "sys" in {name for name, _ in imports_of(source)}
