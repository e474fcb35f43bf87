"""The page on the real service: a session on a virtual clock behind a real socket."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np

ROW = "li[data-name=clock729]"


def test_a_night_on_the_real_service(
    bench: ModuleType, open_page: Callable[..., Any], tmp_path: Path
) -> None:
    with bench.Served(out=tmp_path) as served:
        noise = {name: np.zeros(120) for name in bench.CHANNELS}
        noise["beat"] = np.random.default_rng(729).normal(100.0, 5.0, 120)
        served.bench.run(noise)
        page = open_page(served.url)
        page.locator(f"{ROW} .state:text-is('good')").wait_for()
        row = page.locator(ROW)
        assert "Hz" in row.locator(".detuning").inner_text()
        # The far side's clock stands at another day: the page asks for its hour, not for ours.
        page.locator(f"{ROW} .share").filter(has_text="%").wait_for()
        page.locator(f"{ROW} .glyph .curve").wait_for(state="attached")
        assert "no need stated" in row.locator(".curve-words").inner_text()

        served.gates(5, beat=1e6)
        page.locator(f"{ROW} .state:text-is('bad')").wait_for()
        assert row.locator(".side").inner_text() == "outside the limit"
        assert "clears with" in row.locator(".why").inner_text()

        page.get_by_label("Acknowledge as").fill("A. Person")
        page.get_by_role("button", name="Acknowledge clock729").first.click()
        page.locator(".alarm[data-seen=true]").first.wait_for()
        assert "A. Person" in json.dumps(page.evaluate("fetch('api/v1/state').then(r => r.json())"))

        row.locator(".name").click()
        page.locator("dialog[open] .zoom canvas").wait_for()
        page.get_by_role("button", name="The last 1 min").click()
        page.locator(".zoom-answer:has-text('it was bad')").wait_for()
        assert "Mean 4110421" in page.locator(".zoom-answer").inner_text()
        page.keyboard.press("Escape")
    page.locator("[data-link=lost]").wait_for(timeout=3000)
    assert {each.inner_text() for each in page.locator(".state").all()} == {"unknown"}


def test_hands_on_from_the_closer_look(
    bench: ModuleType, open_page: Callable[..., Any], tmp_path: Path
) -> None:
    token = "a-token-of-the-test-only"
    terms = bench.Terms("127.0.0.1", 0, act_token=token)
    with bench.Served(terms=terms, out=tmp_path) as served:
        served.gates(10, beat=100.0)
        page = open_page(served.url)
        page.locator(f"{ROW} .state:text-is('good')").wait_for()
        page.locator(f"{ROW} .name").click()
        page.get_by_label("Hands on by").fill("A. Person")
        page.get_by_role("button", name="Hands on", exact=True).click()
        page.locator("dialog :text('Not done')").wait_for()
        page.locator("dialog").get_by_label("Acting token").fill(token)
        page.get_by_role("button", name="Hands on", exact=True).click()
        page.locator("dialog :text('Unknown until hands are off')").wait_for()
        served.gates(1, beat=100.0)
        page.locator(f"{ROW} .state:text-is('unknown')").wait_for(state="attached")
        page.get_by_role("button", name="Hands off").click()
        page.locator("dialog :text('Hands off:')").wait_for()
        served.gates(1, beat=100.0)
        page.locator(f"{ROW} .state:text-is('good')").wait_for(state="attached")
        page.keyboard.press("Escape")
        page.locator("#notes li:has-text('hands off')").wait_for()
        said = page.locator("#notes li").all_inner_texts()
        page.reload()
        page.locator("#notes li:has-text('hands off')").wait_for()
        assert page.locator("#notes li").all_inner_texts() == said


def test_disarm_all_with_a_token_that_leaves_the_reading_one(
    bench: ModuleType, open_page: Callable[..., Any]
) -> None:
    runner = bench.Runner(False)
    runner.desk.armed = True
    terms = bench.Terms("127.0.0.1", 0, read_token=bench.READ, act_token=bench.ACT)
    with bench.Served(terms=terms, runner=runner) as served:
        served.gates(10, beat=100.0)
        page = open_page(served.url)
        page.get_by_label("This service asks for its token").fill(bench.READ)
        page.keyboard.press("Enter")
        button = page.get_by_role("button", name="Disarm all")
        button.click()
        page.locator("#outputs :text('Not disarmed: this needs the acting token')").wait_for()
        assert runner.desk.disarmed == []
        page.locator("#outputs").get_by_label("Acting token").fill("mistyped-in-a-hurry")
        page.keyboard.press("Enter")
        page.locator("#outputs :text('Not disarmed: this is not the acting token')").wait_for()
        # What was typed for it is not the token that reads.
        assert page.evaluate("sessionStorage.getItem('labref-token')") == bench.READ
        page.reload()
        page.locator(f"{ROW} .state:text-is('good')").wait_for()
        button.click()
        field = page.locator("#outputs").get_by_label("Acting token")
        field.fill(bench.ACT)
        # Other news on the page take nothing from the field.
        served.bench.session.people.note("fibre touched", "A. Person")
        served.gates(1, beat=100.0)
        page.locator("#notes li").first.wait_for()
        assert field.input_value() == bench.ACT
        page.keyboard.press("Enter")
        page.locator("#outputs :text('All is disarmed.')").wait_for()
        assert runner.desk.disarmed == [(None, "somebody at the page")]
        page.locator("#outputs [data-armed=false]").wait_for()
        assert not button.is_visible()
        assert page.evaluate("sessionStorage.getItem('labref-token')") == bench.READ
    page.locator("#outputs :text('what is armed is not known')").wait_for()
