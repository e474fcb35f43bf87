"""A service by script, the real one, and a browser."""

from __future__ import annotations

import importlib.util
import os
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import pytest

HERE = Path(__file__).parent


def _load(name: str, folder: Path = HERE) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, folder / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def bench() -> ModuleType:
    """web_bench.py of the service's own tests."""
    return _load("web_bench", HERE.parent / "web_service")


@pytest.fixture(scope="session")
def fake() -> ModuleType:
    """fake_service.py and fake_lab.py beside this file."""
    _load("fake_lab")
    return _load("fake_service")


@pytest.fixture(scope="session")
def looks() -> ModuleType:
    """looking.py beside this file."""
    return _load("looking")


@pytest.fixture
def site(fake: ModuleType) -> Iterator[Any]:
    """A `fake_site.FakeSite`, served: ``site.says``, ``site.service``, ``site.address``."""
    says = _load("fake_site").FakeSite()
    service = fake.FakeService(fake.FakeLab(1), stepping=False)
    service.site = says
    yield SimpleNamespace(says=says, service=service, address=f"{service.address}site")
    if not service.ended.is_set():
        service.kill()


@pytest.fixture(scope="module")
def browser(
    need_program: Callable[[str], str], need_package: Callable[[str], None]
) -> Iterator[Any]:
    """Headless Chromium of the system; its event loop must not outlast the module."""
    program = need_program("chromium")
    need_package("playwright")
    from playwright.sync_api import sync_playwright

    # Root may not use Chromium's sandbox; the pages are our own.
    rights = ["--no-sandbox"] if os.geteuid() == 0 else []
    with sync_playwright() as tool:
        browser = tool.chromium.launch(executable_path=program, args=rights)
        yield browser
        browser.close()


@pytest.fixture
def open_page(browser: Any) -> Iterator[Callable[..., Any]]:
    """``open_page(address, **context)`` gives a page; a complaint of the browser fails the test."""
    contexts: list[Any] = []
    complaints: list[str] = []

    def make(address: str, **more: Any) -> Any:
        context = browser.new_context(**{"viewport": {"width": 1920, "height": 1080}, **more})
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("console", lambda said: _note(said, complaints))
        page.goto(address)
        return page

    yield make
    for context in contexts:
        context.close()
    assert complaints == []


def _note(said: Any, complaints: list[str]) -> None:
    # A lost or refused connection is what some tests are about; the browser reports it as error.
    if said.type in ("error", "warning") and "Failed to load resource" not in said.text:
        complaints.append(said.text)
