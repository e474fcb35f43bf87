"""Promises of the code base that no reviewer should have to remember."""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parent.parent
SOURCE = sorted(
    path
    for part in ("labref", "plugins", "sim_instruments")
    for path in (ROOT / part).rglob("*.py")
)
PROJECT = [
    *SOURCE,
    *sorted((ROOT / "tests").rglob("*.py")),
    *sorted((ROOT / "examples").rglob("*.py")),
]
LONGEST_FILE = 350

HEAVY_FOR_HELP = {"numpy", "h5py", "pyvisa", "serial", "scipy", "allantools", "matplotlib"}
HEAVY = {*HEAVY_FOR_HELP, "pluggy", "msgspec", "click", "rich"}


def name_of(path: Path) -> str:
    return str(path.relative_to(ROOT))


def for_each(paths: list[Path]) -> Callable[[Callable[[Path], None]], Callable[[], None]]:
    """Run a test over all files and report every file that breaks the promise, not only one."""

    def decorate(test: Callable[[Path], None]) -> Callable[[], None]:
        def run() -> None:
            broken = []
            for path in paths:
                try:
                    test(path)
                except AssertionError as error:
                    broken.append(str(error).splitlines()[0])
            assert not broken, "\n".join(broken)

        return run

    return decorate


@for_each(PROJECT)
def test_files_are_short(path: Path) -> None:
    lines = path.read_text(encoding="utf-8").count("\n")
    assert lines <= LONGEST_FILE, f"{name_of(path)} has {lines} lines"


def loaded_modules(code: str) -> set[str]:
    """Top-level modules after running ``code`` in a fresh interpreter."""
    script = f"import sys\n{code}\nprint('\\n' + ' '.join(sorted(sys.modules)))"
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT), str(ROOT / "plugins")])}
    run = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, env=environment, check=True
    )
    return {name.split(".")[0] for name in run.stdout.splitlines()[-1].split()}


def test_import_labref_loads_nothing_heavy() -> None:
    before = loaded_modules("pass")
    after = loaded_modules("import labref")
    assert not HEAVY & (after - before)


def test_help_loads_nothing_heavy_and_no_plugin() -> None:
    code = "from labref.cli.main import main\ntry: main(['--help'])\nexcept SystemExit: pass"
    after = loaded_modules(code) - loaded_modules("pass")
    assert not HEAVY_FOR_HELP & after
    assert not {name for name in after if name.startswith("labref_")}


@for_each(SOURCE)
def test_all_is_honest(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    named: list[str] = []
    for node in tree.body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            named = ast.literal_eval(node.value)
    assert len(named) == len(set(named))
    source = path.read_text(encoding="utf-8")
    for name in named:
        assert len(re.findall(rf"\b{name}\b", source)) > 1, f"{name_of(path)} exports {name}"


@for_each(SOURCE)
def test_public_things_are_documented(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert ast.get_docstring(tree), f"{name_of(path)} has no docstring"
    for node in ast.walk(tree):
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            assert ast.get_docstring(node), f"{name_of(path)}: {node.name} has no docstring"
    for node in tree.body:
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
            assert ast.get_docstring(node), f"{name_of(path)}: {node.name} has no docstring"


# %g and {:g} lose digits: 10000001.0 becomes 1e+07.
SHORTENING = re.compile(r"""%\.?\d*[gG]\b|\{[^{}]*:[^{}]*[gG]\}""")


@for_each(SOURCE)
def test_no_number_is_shortened_silently(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FormattedValue) and node.format_spec is not None:
            spec = ast.unparse(node.format_spec)
            assert not re.search(r"[gG]['\"]$", spec), f"{name_of(path)}:{node.lineno}: {spec}"
        if (
            isinstance(node, ast.BinOp)
            and isinstance(node.op, ast.Mod)
            and isinstance(node.left, ast.Constant)
            and isinstance(node.left.value, str)
        ):
            assert not SHORTENING.search(node.left.value), f"{name_of(path)}:{node.lineno}"


@for_each(SOURCE)
def test_no_print_in_the_library(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            assert node.func.id != "print", f"{name_of(path)}:{node.lineno} prints"


@for_each(SOURCE)
def test_no_naive_datetime(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)):
            continue
        called = ast.unparse(node.func)
        where = f"{name_of(path)}:{node.lineno}: {called}"
        assert not called.endswith(("datetime.utcnow", "datetime.utcfromtimestamp")), where
        if called.endswith(("datetime.now", "datetime.fromtimestamp")):
            assert node.args or node.keywords, where
            zone = ast.unparse(node)
            assert "UTC" in zone or "tz" in zone, where


def test_list_resources_is_called_nowhere() -> None:
    """It broadcasts on the network: addresses come from the lab file."""
    word = "list_" + "resources"
    for path in PROJECT:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            if isinstance(node, ast.Attribute):
                assert node.attr != word, f"{name_of(path)}:{node.lineno}"


def test_nothing_in_labref_reads_the_simulators_truth() -> None:
    """No file under labref/ or plugins/ names the file in which the simulator keeps the truth."""
    for path in SOURCE:
        if path.is_relative_to(ROOT / "sim_instruments"):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                called = ast.unparse(node.func)
                if called.endswith(("open", "read_text", "read_bytes", "loadtxt", "genfromtxt")):
                    assert "truth" not in ast.unparse(node), f"{name_of(path)}:{node.lineno}"
