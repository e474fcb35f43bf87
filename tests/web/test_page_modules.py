"""The page's modules on their own, run in the browser: the axis, the past, the stream, words."""

from __future__ import annotations

import json
import math
import random
from collections.abc import Callable, Iterator
from itertools import pairwise
from types import ModuleType
from typing import Any

import pytest

Run = Callable[..., Any]


@pytest.fixture(scope="module")
def run(fake: ModuleType, browser: Any) -> Iterator[Run]:
    """``run("axis.js", "(m, x) => m.fold(x)", x)`` gives what a module says."""
    service = fake.FakeService(fake.FakeLab(1), stepping=False)
    page = browser.new_page()
    page.goto(service.address + "page/style.css")  # a place to import from; nothing else runs

    def call(module: str, function: str, argument: Any = None) -> Any:
        text = f"async (x) => ({function})(await import('/page/{module}'), x)"
        return page.evaluate(text, argument)

    yield call
    page.close()
    service.kill()


def test_the_axis_rises_without_a_kink_to_a_hundred_tolerances(run: Run) -> None:
    xs = [-1e9, -100, -10, -1.001, -1, -0.999, -0.5, 0, 0.5, 0.999, 1, 1.001, 2, 10, 99, 100, 1e9]
    folded = run("axis.js", "(m, xs) => xs.map(m.fold)", xs)
    assert folded == sorted(folded)
    turned = run("axis.js", "(m, xs) => xs.map(m.fold)", [-x for x in xs])
    assert turned == pytest.approx([-y for y in folded])
    limit = run("axis.js", "(m) => m.LIMIT")
    assert folded[xs.index(1)] == pytest.approx(limit)
    assert (folded[0], folded[-1], folded[xs.index(100)]) == pytest.approx((-1, 1, 1))
    inside = folded[xs.index(1)] - folded[xs.index(0.999)]
    outside = folded[xs.index(1.001)] - folded[xs.index(1)]
    assert outside == pytest.approx(inside, rel=0.01)


@pytest.mark.parametrize(
    ("hz", "expected"),
    [(0, 0.5), (150, 0.75), (-100, 0), (-180, -0.4), (320, -0.1), (None, None)],
)
def test_m6_distance_to_asymmetric_limits(run: Run, hz: float | None, expected: Any) -> None:
    # Limits -100 and +300 Hz: the half width is 200 Hz.
    tolerance = {"low_hz": -100, "high_hz": 300, "forbidden": []}
    found = run("axis.js", "(m, [hz, tolerance]) => m.margin(hz, tolerance)", [hz, tolerance])
    assert found == (expected if expected is None else pytest.approx(expected))


def test_m6_a_forbidden_interval_is_a_limit(run: Run) -> None:
    tolerance = {"low_hz": -100, "high_hz": 100, "forbidden": [[20, 60]]}
    margin = "(m, [hz, tolerance]) => m.margin(hz, tolerance)"
    found = [run("axis.js", margin, [hz, tolerance]) for hz in (0, 30, 70)]
    assert found == pytest.approx([0.2, -0.1, 0.1])


def test_any_cut_of_a_stream_gives_the_same_events(run: Run) -> None:
    sent = [
        ("state", {"a": "zwei\nZeilen µ"}, "17"),
        ("shot", {"b": 1.5}, "18"),
        ("note", {}, None),
    ]
    text = ": alive\n\n"
    for kind, value, number in sent:
        head = "" if number is None else f"id: {number}\n"
        text += f"{head}event: {kind}\r\ndata: {json.dumps(value)}\n\n: alive\n\n"
    chance = random.Random(729)
    cuts = [sorted(chance.sample(range(1, len(text)), chance.randint(0, 30))) for _ in range(200)]
    parts = [[text[a:b] for a, b in zip([0, *c], [*c, None], strict=True)] for c in cuts]
    found = run(
        "link.js",
        """(m, all) => all.map((parts) => {
            const heard = [];
            const events = new m.Events((kind, data, id) => heard.push([kind, data, id]));
            parts.forEach((part) => events.feed(part));
            return heard;
        })""",
        parts,
    )
    expected = [[kind, json.dumps(value), number] for kind, value, number in sent]
    assert all(each == expected for each in found)


PAST = """(m, [span, gates]) => {
    const past = new m.Past(span);
    gates.forEach(([t, hz, state]) => past.add(t, hz, state));
    return { t: past.t, low: past.low, mean: past.mean, high: past.high, state: past.state };
}"""


def test_the_past_keeps_least_mean_and_greatest_of_every_bucket(run: Run) -> None:
    chance = random.Random(1)
    values = [chance.gauss(0, 1) for _ in range(4000)]
    gates = [[1e12 + 100 * (i + 1), v, "good"] for i, v in enumerate(values)]
    past = run("past.js", PAST, [1_000_000, gates])  # 1000 buckets of 1 s, ten gates each
    assert len(past["t"]) == pytest.approx(400, abs=2)
    assert min(past["low"]) == min(values)
    assert max(past["high"]) == max(values)
    whole = past["mean"][1:-1]
    assert math.fsum(whole) / len(whole) == pytest.approx(math.fsum(values) / 4000, abs=0.01)


def test_a_silence_is_a_gap_and_the_worst_state_of_a_bucket_stays(run: Run) -> None:
    gates = [[1e12 + 1000 * i, 1.0, "good"] for i in range(10)]
    gates += [[1e12 + 30_000 + 1000 * i, 1.0, "good"] for i in range(10)]
    past = run("past.js", PAST, [1_000_000, gates])
    assert past["mean"].count(None) == 1
    assert past["state"][past["mean"].index(None)] == 0
    fast = [[1e12 + i, 1.0, state] for i, state in enumerate(["good", "bad", "unknown", "good"])]
    assert run("past.js", PAST, [1_000_000, fast])["state"] == [2]


def test_a_clock_that_was_set_back_begins_a_new_past(run: Run) -> None:
    gates = [[1e12 + 1000 * i, 1.0, "good"] for i in range(10)]
    gates += [[1e12 - 3_600_000 + 1000 * i, 2.0, "good"] for i in range(3)]
    past = run("past.js", PAST, [1_000_000, gates])
    assert past["mean"] == [2.0] * 3


def test_what_was_not_measured_is_never_drawn_as_good(run: Run) -> None:
    # Points every second, nothing from 3 s to 8 s, a null from 10 s to 11 s, nothing after 12 s.
    t = [1000, 2000, 3000, 8000, 9000, 10_000, 11_000, 12_000]
    mean = [0, 0, 0, 0, 0, 0, None, 0]
    columns = {"t": t, "mean": mean, "state": [1] * 8}
    runs = run("paint.js", "(m, c) => m.runs(c, 0, 20000, 2500)", columns)
    assert runs[0][0] == 0
    assert runs[-1][1] == 20_000
    assert all(a[1] <= b[0] + 1 for a, b in pairwise(runs))
    for middle in (4000, 5000, 10_500, 15_000, 19_000):
        assert [kind for begin, end, kind in runs if begin < middle < end] == [0], middle
    for middle in (2500, 8500, 11_500):
        assert [kind for begin, end, kind in runs if begin < middle < end] == [1], middle


@pytest.mark.parametrize(
    ("call", "text"),
    [
        ("m.hz(1234.5)", "1.23 kHz"),
        ("m.hz(-0.25, true)", "−250 mHz"),
        ("m.hz(0)", "0 Hz"),
        ("m.digits(-0.001, true)", "0.00"),
        ("m.span(59400)", "59 s"),
        ("m.span(7260000)", "2 h 1 min"),
        ("m.span(180000000)", "2 d 2 h"),
        ("m.shareText(0.99999)", "99.99 %"),
        ("m.shareText(1)", "100 %"),
        ("m.shareText(null)", "not known"),
        ("m.ns(1764028800123.4)", "1764028800123000000"),
        ("m.list(['a', 'b', 'c'])", "a, b and c"),
    ],
)
def test_words(run: Run, call: str, text: str) -> None:
    assert run("words.js", f"(m) => {call}").replace("\u202f", " ") == text


def test_the_need_is_compared_at_its_worst_tau(run: Run) -> None:
    curve = {"tau_s": [1, 2, 4], "value": [3e-13, 1e-12, 2e-13], "need": 5e-13, "unit": "1"}
    assert run("deviation.js", "(m, c) => m.worst(c)", curve) == {"ratio": 2, "tau": 2}
    words = run("deviation.js", "(m, c) => m.inWords(c)", curve).replace("\u202f", " ")
    assert words == "2.00 × need at 2 s"
    free = run("deviation.js", "(m, c) => m.inWords(c)", {**curve, "need": None})
    assert free.replace("\u202f", " ") == "3.0 × 10⁻¹³ at 1 s, no need stated"
