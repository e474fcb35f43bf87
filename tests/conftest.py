"""Fixtures for all tests: what a test needs from the machine (see `needs.py`)."""

import importlib.util
import os
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest
from hypothesis import settings


def _load(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, Path(__file__).parent / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


_needs = _load("needs")

# A slow or loaded machine is no failure of a property (what CI sets otherwise is kept). The same
# examples every time; the long tests look for new ones.
settings.register_profile("steady", settings(), deadline=None, derandomize=True, database=None)
settings.register_profile("explore", settings(), deadline=None)
settings.load_profile("explore" if os.environ.get("LABREF_EXPLORE") else "steady")


@pytest.fixture(scope="session")
def need_program() -> Callable[[str], str]:
    """``need_program(name)`` gives its path, or skips (fails under CI)."""
    return _needs.need_program


@pytest.fixture(scope="session")
def needs_namespaces() -> Callable[[str], None]:
    """``needs_namespaces(why_not)`` skips where no network namespaces can be made."""
    return _needs.need_namespaces


@pytest.fixture(scope="session")
def need_package() -> Callable[[str], None]:
    """``need_package(name)`` skips (fails under CI) when it cannot be imported."""
    return _needs.need_package
