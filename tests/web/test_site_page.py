"""The page of the whole site: several sessions, what is not good first, nothing stale."""

from __future__ import annotations

import dataclasses
import importlib.util
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from labref_web.site import Asked
from labref_web.table import Terms


@pytest.fixture(scope="module")
def around() -> ModuleType:
    """test_site.py of the service's tests: a neighbour by script."""
    path = Path(__file__).parents[1] / "web_service" / "test_site.py"
    spec = importlib.util.spec_from_file_location("service_test_site", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["service_test_site"] = module
    spec.loader.exec_module(module)
    return module


def many(around: ModuleType, count: int) -> dict[str, Any]:
    """A laboratory of many lines, every seventh not good; invented."""
    said: dict[str, Any] = around.state()
    row = said["transitions"][0]
    words = {0: "bad", 3: "unknown"}
    said["transitions"] = [
        {
            **row, "name": f"line{n:02d}", "state": words.get(n % 7, "good"),
            "reason": "" if n % 7 not in words else "above the upper limit by 3.1 MHz",
        }
        for n in range(count)
    ]  # fmt: skip
    return said


def test_all_sessions_on_one_page_and_a_silent_one_is_unknown(
    bench: ModuleType, around: ModuleType, open_page: Callable[..., Any]
) -> None:
    with around.neighbour(lambda: many(around, 96)) as wide, around.Mortal() as mortal:
        sessions = Asked("strontium", wide), Asked("ytterbium", mortal.url)
        terms = dataclasses.replace(Terms("127.0.0.1", 0), sessions=sessions)
        with bench.Served(terms=terms) as served:
            served.gates(5)
            page = open_page(f"{served.url.rstrip('/')}/site")
            page.locator("section[aria-label=strontium] li").nth(95).wait_for()
            page.locator("section[aria-label=ytterbium] li[data-state=good]").wait_for()
            page.locator("section[aria-label=here] li:has-text('clock729')").wait_for()
            first = page.locator("section[aria-label=strontium] li").first
            assert first.get_attribute("data-state") == "bad"
            assert "upper limit" in first.locator(".why").inner_text()
            # Nothing runs out of a narrow screen.
            page.set_viewport_size({"width": 360, "height": 800})
            assert page.evaluate("document.documentElement.scrollWidth") <= 360
            mortal.end()
            page.locator("section[aria-label=ytterbium] li[data-state=unknown]").wait_for()
            page.locator("h1:has-text('othing known of ytterbium')").wait_for()
        page.locator("[data-link=lost]").wait_for()
        assert page.locator("li[data-state=good]").count() == 0
        page.locator("h1:has-text('Connection lost')").wait_for()
