"""How the page looks and reads: accessibility, sizes, light and dark, what it loads."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

PAGE = Path(__file__).parents[2] / "plugins" / "labref_web" / "page"
OWN = sorted(path for path in PAGE.iterdir() if path.is_file())
MOST_BYTES = 170_000
LONGEST_FILE = 350
LAPTOP = {"width": 1366, "height": 768}


@pytest.fixture
def lab(fake: ModuleType) -> Any:
    """A lab in which every state and every part of the page is to be seen."""
    lab = fake.FakeLab(5, 0.2)
    lab.offset["clock729"] = 1.4
    lab.gap.add("quench854")
    lab.raise_alarm(1, "clock729", "outside tolerance", ["optical732 outside tolerance"])
    lab.raise_alarm(2, "quench854", "link down", [])
    lab.alarms[1]["acknowledged_by"] = "A. Person"
    for number, state in enumerate(["good", "bad", "unknown"]):
        lab.shot(str(number), state)
    lab.actuators = [{"name": "a", "armed_by": "B", "running": True, "waits_for": "a lock"}]
    return lab


@pytest.fixture
def service(fake: ModuleType, lab: Any) -> Any:
    """It, served."""
    service = fake.FakeService(lab)
    yield service
    service.kill()


def settled(page: Any) -> Any:
    """The page, once everything on it was answered."""
    page.locator("li[data-name=quench854] .state:text-is('unknown')").wait_for()
    page.locator("li[data-name=ionise423] .glyph .curve").wait_for(state="attached")
    page.locator(".shots li").first.wait_for()
    return page


@pytest.mark.parametrize("colours", ["light", "dark"])
def test_axe_finds_nothing(
    looks: Any,
    service: Any,
    open_page: Callable[..., Any],
    need_package: Callable[[str], None],
    colours: str,
) -> None:
    need_package("axe_playwright_python")
    page = settled(open_page(service.address, color_scheme=colours))
    assert looks.violations(page) == []
    page.locator(".name").first.click()
    page.locator("dialog[open] .zoom canvas").wait_for()
    assert looks.violations(page) == []
    page.keyboard.press("Escape")
    service.kill()
    page.locator("[data-link=lost]").wait_for()
    assert looks.violations(page) == []


def test_full_page_in_light_and_dark(
    looks: Any, service: Any, open_page: Callable[..., Any], tmp_path: Path
) -> None:
    blank = open_page("about:blank")
    for colours, is_right in (("light", lambda x: x > 170), ("dark", lambda x: x < 90)):
        page = settled(open_page(service.address, color_scheme=colours, viewport=LAPTOP))
        file = tmp_path / f"{colours}.png"
        picture = page.screenshot(path=file, full_page=True)
        assert is_right(looks.mean_light(picture, blank)), f"{file} is not {colours}"
    # The switch stands above what the system wants.
    page.get_by_role("button", name="colours").click()
    assert page.locator("html").get_attribute("data-theme") == "light"
    assert looks.mean_light(page.screenshot(), blank) > 170


def test_nothing_is_cut_from_phone_to_wall(service: Any, open_page: Callable[..., Any]) -> None:
    page = settled(open_page(service.address))
    for width in (360, 700, 900, 1366, 1920, 3840):
        page.set_viewport_size({"width": width, "height": 800})
        page.wait_for_function(f"innerWidth === {width}")
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        for part in (".state", ".distance", ".fairway", ".trace", ".strip", ".glyph", ".leans"):
            box = page.locator(f"li[data-name=cooling397] {part}").bounding_box()
            assert box is not None, f"{part} is not to be seen at {width}"
            assert box["x"] >= 0
            assert box["x"] + box["width"] <= width + 1, f"{part} is cut at {width}"


def test_the_limits_of_all_rows_are_one_line(service: Any, open_page: Callable[..., Any]) -> None:
    page = settled(open_page(service.address))
    edges = page.evaluate(
        """() => [...document.querySelectorAll(".row")].map((row) =>
            [...row.querySelectorAll(".limit")].map((line) => line.getBoundingClientRect().x))"""
    )
    assert len(edges) == 5
    assert all(each == pytest.approx(edges[0], abs=0.5) for each in edges)


def test_nothing_comes_from_elsewhere_and_nothing_is_markup() -> None:
    for file in OWN:
        text = file.read_text(encoding="utf-8")
        assert len(text.splitlines()) <= LONGEST_FILE, file.name
        assert not re.findall(r"https?://(?!www\.w3\.org/)", text), file.name
        assert not re.findall(
            r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|eval\(", text
        )
        if file.suffix == ".html":
            assert not re.findall(r"<script(?![^>]*\ssrc=)|<style|\sstyle=|\son\w+=", text)


def test_the_vendored_library_brings_its_licence_and_nothing_else() -> None:
    names = sorted(path.name for path in (PAGE / "vendor").iterdir())
    assert names == ["uPlot.LICENSE", "uPlot.iife.min.js", "uPlot.min.css"]
    licence = (PAGE / "vendor" / "uPlot.LICENSE").read_text(encoding="utf-8")
    assert "MIT" in licence
    assert "Copyright" in licence


def test_the_page_is_light() -> None:
    files = [*OWN, *(PAGE / "vendor").iterdir()]
    assert sum(path.stat().st_size for path in files) < MOST_BYTES
