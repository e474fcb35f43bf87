"""Worlds and laboratories of relocking and steering, loaded from the files beside the tests."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest


def _load(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, Path(__file__).parent / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def bench() -> ModuleType:
    """relock_lab.py beside this file."""
    return _load("relock_lab")


@pytest.fixture(scope="module")
def trials(bench: ModuleType) -> ModuleType:
    """relock_trials.py beside this file."""
    return _load("relock_trials")


@pytest.fixture(scope="module")
def sw() -> ModuleType:
    """steer_world.py beside this file."""
    return _load("steer_world")


@pytest.fixture(scope="module")
def sl() -> ModuleType:
    """steer_lab.py beside this file."""
    return _load("steer_lab")
