"""The service's bench, loaded from the file beside the tests."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest


def _load(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, Path(__file__).parent / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def wb() -> ModuleType:
    """web_bench.py beside this file."""
    return _load("web_bench")


@pytest.fixture
def make_web(wb: ModuleType) -> Iterator[Callable[..., Any]]:
    """``make_web(terms, ...)`` gives a `web_bench.Web`; closed after the test."""
    made: list[Any] = []

    def make(*values: Any, **more: Any) -> Any:
        made.append(wb.Web(*values, **more))
        return made[-1]

    yield make
    for web in made:
        web.close()


@pytest.fixture
def web(make_web: Callable[..., Any]) -> Any:
    """A service on this computer without tokens."""
    return make_web()
