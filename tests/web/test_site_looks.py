"""The page of the site: a service that hangs, one loop, what stays in place, how it looks."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

LAPTOP = {"width": 1366, "height": 768}
LOST_MS = 3500


def settled(page: Any) -> Any:
    """The page, once the newest session's rows stand there."""
    page.locator("section[aria-label=comb] li").nth(2).wait_for()
    return page


@pytest.mark.parametrize("colours", ["light", "dark"])
def test_axe_finds_nothing(
    looks: Any,
    site: Any,
    open_page: Callable[..., Any],
    need_package: Callable[[str], None],
    colours: str,
) -> None:
    need_package("axe_playwright_python")
    site.says.silent.add("ytterbium")
    page = settled(open_page(site.address, color_scheme=colours))
    assert looks.violations(page) == []
    site.service.token = "invented"
    page.locator("#token").wait_for()
    page.locator("[data-link=lost]").wait_for()
    assert looks.violations(page) == []


def test_what_it_says(site: Any, open_page: Callable[..., Any]) -> None:
    site.says.silent.add("ytterbium")
    page = settled(open_page(site.address))
    assert page.locator("h1").inner_text() == (
        "st03_439 (strontium) and co00_400 (comb) bad, nothing known of ytterbium, 36 of 46 good"
    )
    silent = page.locator("section[aria-label=ytterbium]")
    assert "Unknown for 10" in silent.locator("p").inner_text()
    assert silent.locator("p").inner_text().endswith("http://192.0.2.9:8729: timed out.")
    assert silent.locator("a").get_attribute("href") == "http://192.0.2.9:8729"
    first = page.locator("section[aria-label=strontium] li").first
    assert first.get_attribute("data-state") == "bad"
    assert first.locator(".why").inner_text().startswith("Outside tolerance by 340 Hz")
    assert "1 alarm" in page.locator("section[aria-label=strontium] h2").inner_text()
    site.says.silent.clear()
    site.says.bad.clear()
    site.says.unknown.clear()
    page.locator("h1:text-is('All 46 are good')").wait_for()
    assert page.title().startswith("All 46 are good")


def test_a_number_that_the_verdict_does_not_back_is_struck_out(
    site: Any, open_page: Callable[..., Any]
) -> None:
    answer = site.says()
    row = answer["sessions"][3]["transitions"][0]
    row.update(state="bad", detuning_hz=3.0, distance=0.1, reason="wrong comb tooth")
    site.service.site = lambda: answer
    page = settled(open_page(site.address))
    assert page.locator("[data-doubted]:not(:empty)").count() == 1
    assert page.locator("section[aria-label=comb] li").first.locator("[data-doubted]").count() == 1


def test_a_hanging_service_of_its_own_makes_all_unknown(
    site: Any, open_page: Callable[..., Any]
) -> None:
    page = open_page("about:blank")
    page.clock.install()
    page.goto(site.address)
    settled(page)
    page.locator("#link:text-is('live')").wait_for()
    site.service.freeze()
    page.clock.run_for(LOST_MS)  # the page's clock, not that of a machine under load
    assert page.locator("html").get_attribute("data-link") == "lost"
    assert page.locator("li:not([data-state=unknown])").count() == 0
    assert page.locator(".number:not(:empty)").count() == 0
    assert page.locator("h1").inner_text() == "Connection lost, everything is unknown"
    assert "own service does not answer" in page.locator("section p").first.inner_text()


def test_only_one_loop_asks_however_often_a_token_is_given(
    site: Any, open_page: Callable[..., Any]
) -> None:
    site.service.token = "invented"
    page = open_page(site.address)
    page.locator("#token").wait_for()
    field = page.get_by_label("This service asks for its token")
    for _ in range(5):
        field.fill("wrong")
        page.keyboard.press("Enter")
    field.fill("invented")
    page.keyboard.press("Enter")
    settled(page)
    # Never two questions at one time, and none sooner than the loop's pause allows.
    asked = page.evaluate("""() => new Promise((done) => {
        const times = [];
        new PerformanceObserver((list) => {
            for (const { name, startTime } of list.getEntries()) {
                if (name.endsWith("/api/v1/site")) times.push(startTime);
            }
            if (times.length > 2) done(times);
        }).observe({ type: "resource" });
    })""")
    assert asked[1] - asked[0] > 900
    assert asked[2] - asked[1] > 900


def test_focus_selection_and_nodes_stay_while_numbers_change(
    site: Any, open_page: Callable[..., Any]
) -> None:
    page = settled(open_page(site.address))
    page.locator("section[aria-label=strontium] a").focus()
    number = page.locator("section[aria-label=comb] .number").nth(1)
    before = number.inner_text()
    page.evaluate("""() => {
        const why = document.querySelector("section[aria-label=comb] .why");
        getSelection().selectAllChildren(why);
        window.kept = [...document.querySelectorAll("#sessions *")];
    }""")
    page.wait_for_function(
        "(before) => document.querySelectorAll('section[aria-label=comb] .number')[1].textContent"
        " !== before",
        arg=before,
    )
    assert page.evaluate("document.activeElement.textContent") == "strontium"
    assert page.evaluate("getSelection().toString()").startswith("Outside tolerance")
    assert page.evaluate("window.kept.every((node) => node.isConnected)")


def test_rows_come_go_and_change_places(site: Any, open_page: Callable[..., Any]) -> None:
    page = settled(open_page(site.address))
    rows = page.locator("section[aria-label=strontium] li")
    assert rows.first.locator(".name").inner_text().startswith("st03")
    site.says.bad["strontium"] = {29}
    page.locator("section[aria-label=strontium] li:first-child:has-text('st29')").wait_for()
    assert rows.count() == 30
    whole = site.says()
    whole["sessions"] = whole["sessions"][:1]
    site.service.site = lambda: whole
    page.locator("section[aria-label=comb]").wait_for(state="detached")
    assert page.locator("#sessions section").count() == 1


@pytest.mark.parametrize("ahead_s", [-7200.0, 7200.0])
def test_ages_go_by_the_clock_that_gave_the_stamps(
    site: Any, open_page: Callable[..., Any], ahead_s: float
) -> None:
    site.says.ahead_s = ahead_s
    page = settled(open_page(site.address))
    why = page.locator("section[aria-label=comb] .why").first
    assert "for 10\u202fmin, since" in why.inner_text()
    # A neighbour's clock may be off by itself too.
    site.says.ahead_s = 0.0
    answer = site.says()
    answer["sessions"][3]["clock_ahead_s"] = ahead_s
    for row in answer["sessions"][3]["transitions"]:
        row["since_ns"] += round(ahead_s * 1e9)
    site.service.site = lambda: answer
    page.reload()
    settled(page)
    assert "for 10\u202fmin, since" in why.inner_text()


def test_full_page_in_light_and_dark(
    looks: Any, site: Any, open_page: Callable[..., Any], tmp_path: Path
) -> None:
    blank = open_page("about:blank")
    for colours, is_right in (("light", lambda x: x > 170), ("dark", lambda x: x < 90)):
        page = settled(open_page(site.address, color_scheme=colours, viewport=LAPTOP))
        file = tmp_path / f"{colours}.png"
        picture = page.screenshot(path=file, full_page=True)
        assert is_right(looks.mean_light(picture, blank)), f"{file} is not {colours}"


def test_nothing_is_cut_from_phone_to_wall(site: Any, open_page: Callable[..., Any]) -> None:
    site.says.silent.add("ytterbium")
    page = settled(open_page(site.address))
    for width, most_columns in ((360, 1), (700, 2), (1366, 4), (1920, 5), (3840, 7)):
        page.set_viewport_size({"width": width, "height": 800})
        page.wait_for_function(f"innerWidth === {width}")
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        boxes = page.evaluate(
            """() => [...document.querySelectorAll("#sessions :is(h2, li, .name, .number, .why)")]
                .filter((node) => node.offsetParent && node.textContent)
                .map((node) => node.getBoundingClientRect()).map((b) => [b.left, b.right])"""
        )
        assert all(left >= 0 and right <= width + 1 for left, right in boxes), width
        columns = page.evaluate(
            """() => new Set([...document.querySelectorAll("#sessions li")]
                .map((node) => Math.round(node.getBoundingClientRect().left))).size"""
        )
        assert 1 <= columns <= most_columns
        assert columns > 1 or width < 1000
