"""The example scripts as modules."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

EXAMPLES = Path(__file__).parents[2] / "examples"


@pytest.fixture(scope="session")
def comb_night() -> ModuleType:
    """examples/comb_night.py."""
    spec = importlib.util.spec_from_file_location("comb_night", EXAMPLES / "comb_night.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["comb_night"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def sdist() -> Path:
    """The allantools source distribution (see tests/sdist_cache.py)."""
    path = Path(__file__).parents[1] / "sdist_cache.py"
    spec = importlib.util.spec_from_file_location("sdist_cache", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    found: Path = module.allantools_sdist()
    return found
