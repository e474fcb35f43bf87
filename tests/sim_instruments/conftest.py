"""The tools of these tests as fixtures (this folder is no package)."""

import importlib.util
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def tools():
    """Module `bench_tools`."""
    path = Path(__file__).parent / "bench_tools.py"
    spec = importlib.util.spec_from_file_location("sim_bench_tools", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
