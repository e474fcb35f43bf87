"""Hands on a laser, and notes, over the service: as the commands do, with the same consequences."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from labref_web.table import Terms

CLOCK = "clock729"
ACT = "act-token-of-the-test"
BODY = {"name": CLOCK, "by": "A. Person", "seconds": 600}


class Acting:
    """The service as whoever holds the acting token sees it."""

    def __init__(self, web: Any) -> None:
        self.web = web

    def post(self, path: str, body: Any) -> Any:
        return self.web.post(path, body, token=ACT)


@pytest.fixture
def holder(make_web: Callable[..., Any]) -> Acting:
    return Acting(make_web(Terms("127.0.0.1", 8729, act_token=ACT)))


def state_of(web: Any) -> Any:
    web.gates(1)
    return web.ask("/api/v1/state", token=ACT).value["transitions"][0]


def test_hands_on_a_laser_makes_it_unknown_until_they_are_off(holder: Acting) -> None:
    web = holder.web
    web.gates(5)
    assert state_of(web)["state"] == "good"
    said = holder.post("/api/v1/act/hands-on-laser", BODY)
    assert (said.status, len(said.value["lasers"])) == (200, 1)
    now = state_of(web)
    assert now["state"] == "unknown"
    assert "hands on, A. Person, until" in now["reason"]
    holder.post("/api/v1/act/hands-off-laser", {"name": CLOCK, "by": "A. Person"})
    assert state_of(web)["state"] == "good"


@pytest.mark.parametrize(
    ("body", "status"),
    [
        ({**BODY, "name": "nothing729"}, 404),
        ({**BODY, "seconds": 0}, 400),
        ({**BODY, "seconds": 1e9}, 400),
        ({**BODY, "by": ""}, 400),
        ({"name": CLOCK}, 400),
    ],
)
def test_what_is_not_meant_is_refused(holder: Acting, body: Any, status: int) -> None:
    assert holder.post("/api/v1/act/hands-on-laser", body).status == status


def test_it_needs_the_acting_token_where_there_is_one(make_web: Callable[..., Any]) -> None:
    web = make_web(Terms("127.0.0.1", 8729, act_token=ACT))
    assert web.post("/api/v1/act/hands-on-laser", BODY).status == 401
    assert web.post("/api/v1/act/hands-on-laser", BODY, token=ACT).status == 200
    without = make_web()
    assert "act_token_file is not set" in str(
        without.post("/api/v1/act/hands-on-laser", BODY).value
    )


def test_notes_and_hands_are_told_to_every_reader(holder: Acting) -> None:
    web = holder.web
    told: list[tuple[str, Any]] = []
    web.desk.tell = lambda kind, value: told.append((kind, value))
    web.desk.stream.event = lambda kind, data: told.append((kind, data))
    web.bench.session.people.note("fibre touched", "A. Person", CLOCK)
    holder.post("/api/v1/act/hands-on-laser", BODY)
    web.gates(1)
    texts = [data.decode() for kind, data in told if kind == "note"]
    assert any("A. Person: fibre touched" in text for text in texts)
    assert any("hands on: " in text for text in texts)


def test_notes_are_given_again_newest_first(holder: Acting) -> None:
    web = holder.web
    assert web.ask("/api/v1/notes").value == {"notes": []}
    web.gates(1)
    web.bench.session.people.note("fibre touched", "A. Person", CLOCK)
    web.gates(1)
    holder.post("/api/v1/act/hands-on-laser", BODY)
    web.gates(1)
    given = web.ask("/api/v1/notes").value["notes"]
    assert given[1]["text"] == f"[{CLOCK}] A. Person: fibre touched"
    assert given[0]["text"].startswith("hands on: ")
    assert given[0]["time_ns"] > given[1]["time_ns"]
    assert web.ask("/api/v1/notes?limit=1").value["notes"] == given[:1]
    assert web.ask("/api/v1/notes?limit=0").status == 400
    assert web.ask("/api/v1/notes?last=1").status == 400


def test_a_later_session_gives_the_notes_that_the_trace_has(
    make_web: Callable[..., Any], tmp_path: Path
) -> None:
    before = make_web(out=tmp_path)
    before.gates(1)
    before.bench.session.people.note("fibre touched", "A. Person", CLOCK)
    before.gates(1)
    told = before.ask("/api/v1/notes").value["notes"]
    assert len(told) == 1  # heard and stored is one
    before.bench.session.stop()
    after = make_web(out=tmp_path)
    after.bench.clock.advance_ns(60 * 10**9)
    assert after.ask("/api/v1/notes").value["notes"] == told
    after.bench.clock.advance_ns(8 * 86_400 * 10**9)
    after.desk.tick()
    assert after.ask("/api/v1/notes").value["notes"] == []
