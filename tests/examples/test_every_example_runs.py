"""Every example runs as a newcomer would run it, from the project's root."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SCRIPTS = sorted((ROOT / "examples").glob("*.py"))
# What a script needs besides itself; every other one runs without arguments.
ARGUMENTS = {"comb_night.py": ["--hours", "0.2"]}
NEEDS = {"bluesky_plan.py": "bluesky", "qcodes_measurement.py": "qcodes"}


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_every_script_runs(
    script: Path, tmp_path: Path, need_package: Callable[[str], None]
) -> None:
    if script.name in NEEDS:
        need_package(NEEDS[script.name])
    paths = os.pathsep.join([str(ROOT), str(ROOT / "plugins")])
    run = subprocess.run(
        [sys.executable, str(script), *ARGUMENTS.get(script.name, [])],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": paths},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert run.returncode == 0, run.stderr
    says_something = "print(" in script.read_text("utf-8")
    assert bool(run.stdout.strip()) == says_something


def test_readme_names_only_commands_and_files_that_exist() -> None:
    from labref.cli.main import COMMANDS

    readme = (ROOT / "README.md").read_text("utf-8")
    named = re.findall(r"labref ([a-z][a-z-]+)(?= |`|$)", readme, re.MULTILINE)
    blocks = "\n".join(re.findall(r"```\n(.*?)```", readme, re.DOTALL))
    for name in re.findall(r"(?:^|/|&& )labref ([a-z-]+)", blocks, re.MULTILINE):
        assert name in COMMANDS, name
    assert {"demo", "replay", "run", "check"} <= set(named)
    for name in re.findall(r"examples/[\w.]+", readme):
        assert (ROOT / name.rstrip(".")).exists(), name
