"""What a neighbour says, on a clock by hand: too old, standing still, or no state is unknown."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.model.errors import LinkError
from labref_web.asgi import as_json
from labref_web.heard import Asking, Heard, own_view

S = 10**9
NOON_NS = 1_795_608_000 * S
URL = "http://192.0.2.8:8729"


def said(now_ns: int = NOON_NS, word: str = "good") -> dict[str, Any]:
    """A state of two transitions; invented."""
    row = {"title": "", "state": word, "since_ns": 1, "reason": "", "detuning_hz": 3.0,
           "u_hz": 1.0, "distance": 0.1}  # fmt: skip
    return {
        "lab": "Sr laboratory (invented)",
        "now_ns": now_ns,
        "transitions": [{**row, "name": "lattice813"}, {**row, "name": "clock698"}],
        "alarms": [{"level": "raised"}, {"level": "clear"}],
    }


def heard() -> Heard:
    return Heard("sr", URL)


def take(one: Heard, state: Any, asked_s: float, way_s: float = 0.0) -> None:
    """As the asking thread does it; this computer's clock shows noon at 100 s."""
    asking = Asking(asked_s, NOON_NS + round((asked_s - 100.0) * S))
    try:
        one.take(state, asking, asked_s + way_s)
    except LinkError as error:
        one.fail(str(error), round((asked_s - 100.0) * S) + NOON_NS)


def words(one: Heard, now_s: float) -> list[str]:
    return [row.state for row in one.view(now_s).transitions]


def test_an_answer_is_as_old_as_its_question() -> None:
    one = heard()
    take(one, said(), 100.0, way_s=2.5)
    assert words(one, 102.5) == ["good", "good"]
    assert words(one, 103.1) == ["unknown", "unknown"]
    assert one.view(103.1).transitions[0].since_ns == NOON_NS + 3 * S
    late = heard()
    take(late, said(), 100.0, way_s=3.5)
    assert words(late, 103.5) == ["unknown", "unknown"]


def test_no_answer_is_unknown_at_once_and_the_rows_stay() -> None:
    one = heard()
    assert one.view(99.0).why == "sr: no answer yet"
    take(one, said(), 100.0)
    one.fail("sr: refused", NOON_NS + S)
    one.fail("sr: refused", NOON_NS + 2 * S)
    view = one.view(100.1)
    assert (view.answers, view.alarms, view.clock_ahead_s) == (False, 0, None)
    assert view.lab == "Sr laboratory (invented)"
    assert {(r.state, r.reason, r.detuning_hz, r.since_ns) for r in view.transitions} == {
        ("unknown", "sr: refused", None, NOON_NS + S)
    }


def test_a_clock_that_stands_still_is_a_session_that_has_stopped() -> None:
    one = heard()
    for second in range(6):
        take(one, said(), 100.0 + second)
    view = one.view(105.0)
    assert not view.answers
    assert "sr: its clock stands still at 2026-11-25" in view.why
    assert "stopped" in view.transitions[0].reason
    take(one, said(NOON_NS + 6 * S), 106.0)
    assert words(one, 106.0) == ["good", "good"]


def test_one_answer_of_the_same_tick_is_no_fault() -> None:
    one = heard()
    take(one, said(), 100.0)
    take(one, said(), 101.0)
    assert words(one, 101.0) == ["good", "good"]
    take(one, said(NOON_NS + 2 * S), 102.0)
    assert words(one, 104.9) == ["good", "good"]


def test_a_clock_that_was_set_back_is_unknown_until_it_goes_on() -> None:
    one = heard()
    take(one, said(), 100.0)
    take(one, said(NOON_NS - 3600 * S), 101.0)
    assert words(one, 101.0) == ["unknown", "unknown"]
    assert "set back" in one.view(101.0).why
    take(one, said(NOON_NS - 3599 * S), 102.0)
    assert words(one, 102.0) == ["good", "good"]
    assert one.view(102.0).clock_ahead_s == pytest.approx(-3601)
    assert "its clock is -3601.0 s" in one.view(102.0).why


def broken(change: Callable[[dict[str, Any]], Any]) -> Any:
    state = said(NOON_NS + S)
    return change(state) or state


MALFORMED: dict[str, Callable[[dict[str, Any]], Any]] = {
    "nearly nothing": lambda s: {"now_ns": 1},
    "a list": lambda s: [s],
    "no rows": lambda s: s.pop("transitions") and None,
    "a strange word": lambda s: s["transitions"][1].update(state="fine"),
    "a word of another kind": lambda s: s["transitions"][1].update(state=["good"]),
    "a number as text": lambda s: s["transitions"][1].update(detuning_hz="3"),
    "infinite": lambda s: s["transitions"][1].update(u_hz=float("inf")),
    "not a number": lambda s: s["transitions"][1].update(detuning_hz=float("nan")),
    "huge": lambda s: s["transitions"][1].update(distance=10**400),
    "beyond all time": lambda s: s["transitions"][1].update(since_ns=10**30),
    "a time with a point": lambda s: s.update(now_ns=1.5),
    "before 1970": lambda s: s.update(now_ns=-1),
    "half a letter": lambda s: s["transitions"][1].update(title="\ud800"),
    "the same name twice": lambda s: s["transitions"][1].update(name="lattice813"),
    "an alarm of no level": lambda s: s["alarms"].append({"level": "high"}),
}


@pytest.mark.parametrize("what", MALFORMED)
def test_what_is_no_state_is_unknown_and_named(what: str) -> None:
    one = heard()
    take(one, said(), 100.0)
    take(one, broken(MALFORMED[what]), 101.0)
    view = one.view(101.0)
    assert as_json(view)
    assert view.why.startswith(f"sr: {URL} ")
    assert [row.state for row in view.transitions] == ["unknown", "unknown"]


# As Python's reader of JSON gives it: infinities, numbers of any length and lone surrogates too.
LEAF = st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.just("\udfff")
LEAF |= st.sampled_from(["good", "raised", 10**25, -1, 1e300])
KEYS = st.sampled_from(["lab", "now_ns", "transitions", "alarms", "state", "name", "level"])
JSON = st.recursive(
    LEAF, lambda x: st.lists(x, max_size=4) | st.dictionaries(KEYS | st.text(), x, max_size=6)
)


@given(JSON)
def test_arbitrary_json_is_never_good(state: Any) -> None:
    one = heard()
    take(one, said(), 100.0)
    take(one, state, 101.0)
    assert words(one, 101.0) == ["unknown", "unknown"]
    assert as_json(one.view(101.0))


PATHS = [(key,) for key in said()]
PATHS += [("transitions", 1, key) for key in said()["transitions"][1]] + [("alarms", 0, "level")]


@given(st.sampled_from(PATHS), JSON)
def test_a_state_with_one_strange_value_is_whole_or_unknown(path: tuple[Any, ...], x: Any) -> None:
    state = copy.deepcopy(said(NOON_NS + S))
    place = state
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = x
    one = heard()
    take(one, state, 101.0)
    view = one.view(101.0)
    assert as_json(view)
    if view.answers:
        assert [r.state for r in view.transitions] == [r["state"] for r in state["transitions"]]
    else:
        assert view.transitions == []


def test_the_session_itself_is_one_of_the_site(web: Any) -> None:
    web.gates(5)
    view = own_view(web.desk.state)
    assert (view.name, view.url, view.answers, view.clock_ahead_s) == ("here", "", True, 0.0)
    assert [row.state for row in view.transitions] == ["good"]
