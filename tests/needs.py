"""What a test needs from the machine: skipped when missing at a desk, an error under CI.

With CI=true a missing program or package fails the test, unless its name stands on a line of
its own in `.ci/may-skip`.
"""

import importlib.util
import os
import shutil
from pathlib import Path

import pytest

MAY_SKIP = Path(__file__).parent.parent / ".ci" / "may-skip"


def need_program(name: str) -> str:
    """Path of a program, or skip (fail under CI)."""
    path = shutil.which(name)
    if path is None:
        _missing("program", name)
    return str(path)


def need_package(name: str) -> None:
    """Make sure a Python package can be imported, or skip (fail under CI)."""
    if importlib.util.find_spec(name) is None:
        _missing("package", name)


def need_namespaces(why_not: str) -> None:
    """Skip for want of network namespaces (fail under CI, unless listed)."""
    _missing("privilege", "network-namespaces", why_not)


def may_skip(name: str, under_ci: bool, listed: str) -> bool:
    """True when a test may be skipped for want of this program or package."""
    names = {line.split("#")[0].strip() for line in listed.splitlines()}
    return not under_ci or name in names


def _missing(kind: str, name: str, why: str = "is not installed") -> None:
    listed = MAY_SKIP.read_text(encoding="utf-8") if MAY_SKIP.is_file() else ""
    message = f"{kind} {name}: {why}"
    if may_skip(name, os.environ.get("CI") == "true", listed):
        pytest.skip(message)
    pytest.fail(f"{message}; under CI it must be, or be listed in .ci/may-skip")
