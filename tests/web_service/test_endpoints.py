"""Each endpoint: its answer, that the answer fits its schema, and what it refuses."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from labref.model.times import iso
from labref.model.tolerance import Tolerance
from labref_web.board import distance
from labref_web.openapi import document

S = 10**9
CLOCK = "clock729"
ABOUT = f"/api/v1/transitions/{CLOCK}"
DOCUMENT = document()


def checked(reply: Any, path: str, method: str = "get", status: int = 200) -> Any:
    """The answer's value, after holding it against the document's schema."""
    assert reply.status == status, reply.body
    answer = DOCUMENT["paths"][path][method]["responses"][str(status)]
    schema = {
        **answer["content"]["application/json"]["schema"],
        "components": DOCUMENT["components"],
    }
    jsonschema.Draft202012Validator(schema).validate(reply.value)
    return reply.value


def test_the_state_says_everything_of_this_moment(web: Any) -> None:
    web.gates(3, beat=500.0)
    state = checked(web.ask("/api/v1/state"), "/api/v1/state")
    (one,) = state["transitions"]
    assert one["state"] == "good"
    assert one["detuning_hz"] == pytest.approx(500.0)
    assert one["distance"] == pytest.approx(0.25)  # limit 2000 Hz
    assert one["nominal_hz"] == "411042129776400"
    assert one["leans_on"] == ["wm729"]
    assert one["unwatched"] == ["noise"]
    assert one["stop_ns"] == web.start_ns + 3 * S
    assert one["stop"] == iso(one["stop_ns"])
    assert state["now"] == iso(state["now_ns"])
    assert [(i["name"], i["state"]) for i in state["instruments"]] == [("bench", "good")]
    assert [(r["name"], r["state"]) for r in state["references"]] == [("maser", "unknown")]


def test_before_any_gate_everything_is_unknown_and_nothing_is_a_number(web: Any) -> None:
    state = checked(web.ask("/api/v1/state"), "/api/v1/state")
    (one,) = state["transitions"]
    assert one["state"] == "unknown"
    assert one["reason"] == "no reading yet"
    assert [one[k] for k in ("detuning_hz", "u_hz", "distance", "offset_hz", "stop_ns")] == [
        None
    ] * 5
    assert [i["state"] for i in state["instruments"]] == ["unknown"]


def test_a_state_that_is_too_old_is_unknown_and_its_value_is_not_shown(web: Any) -> None:
    web.gates(2, beat=500.0)
    web.bench.clock.advance_ns(60 * S)
    web.desk.tick()
    (one,) = web.ask("/api/v1/state").value["transitions"]
    assert (one["state"], one["reason"]) == ("unknown", "last reading too old")
    assert [one[k] for k in ("detuning_hz", "u_hz", "distance", "offset_hz")] == [None] * 4
    assert [i["state"] for i in web.ask("/api/v1/state").value["instruments"]] == ["unknown"]


def test_a_service_that_does_not_renew_its_state_does_not_hand_out_the_last(
    web: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    web.gates(2)
    assert web.ask("/api/v1/state").status == 200
    monkeypatch.setattr("labref_web.desk.LONGEST_TICK_S", 0.0)
    checked(web.ask("/api/v1/state"), "/api/v1/state", status=503)
    assert web.ask("/metrics").status == 503


def test_every_check_that_is_not_good_says_why(web: Any) -> None:
    web.gates(2, beat=50_000.0)
    (one,) = web.ask("/api/v1/state").value["transitions"]
    assert one["state"] == "bad"
    assert one["reasons"][0]["kind"] == "outside tolerance"
    assert one["reasons"][0]["clears"]
    assert one["distance"] == pytest.approx(25.0)


@pytest.mark.parametrize(
    ("limits", "forbidden", "detuning", "wanted"),
    [
        ((-6.0, 4.0), (), 2.0, 0.5),
        ((-6.0, 4.0), (), -3.0, 0.5),
        ((-6.0, 4.0), (), 8.0, 2.0),
        ((-6.0, 4.0), (), 0.0, 0.0),
        ((-6.0, 4.0), ((1.0, 4.0),), 2.0, 1.0),
        ((2.0, 6.0), (), 5.0, 0.5),
        ((-6.0, 4.0), (), math.nan, None),
    ],
)
def test_the_distance_is_in_units_of_the_limit_on_its_side(
    limits: tuple[float, float], forbidden: Any, detuning: float, wanted: float | None
) -> None:
    assert distance(Tolerance(*limits, forbidden), detuning) == wanted


def test_frequency_over_a_window(web: Any) -> None:
    web.gates(10, beat=100.0)
    window = f"?start_ns={web.start_ns + 2 * S}&stop_ns={web.start_ns + 7 * S}"
    said = checked(web.ask(f"{ABOUT}/frequency{window}"), ABOUT_("frequency"))
    assert said["offset_hz"] == pytest.approx(100.0)
    assert (said["coverage"], said["gates"]) == (1.0, 5)
    assert said["nominal_hz"] == "411042129776400"
    late = f"?start_ns={web.start_ns + 100 * S}&stop_ns={web.start_ns + 110 * S}"
    nothing = checked(web.ask(f"{ABOUT}/frequency{late}"), ABOUT_("frequency"))
    assert (nothing["offset_hz"], nothing["u_hz"], nothing["coverage"]) == (None, None, 0.0)


def ABOUT_(what: str) -> str:
    return f"/api/v1/transitions/{{name}}/{what}"


def was_good(web: Any, begin_s: int, end_s: int) -> tuple[str, str]:
    window = f"?start_ns={web.start_ns + begin_s * S}&stop_ns={web.start_ns + end_s * S}"
    said = checked(web.ask(f"{ABOUT}/was-good{window}"), ABOUT_("was-good"))
    return said["state"], said["reason"]


@pytest.mark.parametrize("recorded", [False, True])
def test_was_good_knows_three_answers(
    make_web: Callable[..., Any], tmp_path: Path, recorded: bool
) -> None:
    web = make_web(out=tmp_path / "trace" if recorded else None)
    web.gates(10)
    web.gates(5, beat=50_000.0)
    web.gates(5)
    assert was_good(web, 2, 8) == ("good", "")
    state, reason = was_good(web, 8, 12)
    assert state == "bad"
    assert reason == "above the upper limit +2 kHz"
    assert was_good(web, 16, 40)[0] == "unknown"
    assert was_good(web, -40, 5) == ("unknown", "not all of the window is recorded")


def test_wait_good_answers_at_once_when_it_is_good(web: Any) -> None:
    web.gates(2)
    said = checked(web.ask(f"{ABOUT}/wait-good?timeout_s=60"), ABOUT_("wait-good"))
    assert said["state"] == "good"


def test_wait_good_gives_up_with_the_state_and_why(web: Any) -> None:
    web.gates(2, beat=50_000.0)
    said = checked(web.ask(f"{ABOUT}/wait-good?timeout_s=0.01"), ABOUT_("wait-good"))
    assert said["state"] == "bad"
    assert said["clears"]


def test_shots_newest_first(web: Any) -> None:
    for shot in ("a", "b"):
        with web.bench.session.shot(shot):
            web.gates(2, beat=7.0)
        web.gates(4, beat=7.0)
    said = checked(web.ask("/api/v1/shots"), "/api/v1/shots")
    assert [shot["shot"] for shot in said["shots"]] == ["b", "a"]
    assert said["shots"][0]["means"][0]["detuning_hz"] == pytest.approx(7.0)
    assert len(web.ask("/api/v1/shots?limit=1").value["shots"]) == 1


def test_alarms_stand_are_acknowledged_by_name_and_clear(
    make_web: Callable[..., Any], wb: Any, tmp_path: Path
) -> None:
    web = make_web(more=wb.LATCHING, out=tmp_path / "trace")
    web.gates(3)
    web.gates(3, beat=50_000.0)
    (alarm,) = checked(web.ask("/api/v1/alarms"), "/api/v1/alarms")["standing"]
    assert (alarm["kind"], alarm["acknowledged_by"]) == ("outside tolerance", None)
    web.gates(5)
    assert len(web.ask("/api/v1/alarms").value["standing"]) == 1, "it latches"
    path = "/api/v1/alarms/{id}/acknowledge"
    reply = web.post(path.format(id=alarm["id"]), {"by": "Ada"})
    assert checked(reply, path, "post")["acknowledged_by"] == "Ada"
    web.gates(3)
    said = web.ask("/api/v1/alarms").value
    assert said["standing"] == []
    assert [(a["level"], a["acknowledged_by"]) for a in said["cleared"]] == [("clear", "Ada")]
    checked(web.post(path.format(id=alarm["id"]), {"by": "Ada"}), path, "post", 404)
    web.bench.session.stop()
    from labref.trace.reader import open_trace

    with open_trace(tmp_path / "trace") as trace:
        texts = [m.text for m in trace.messages() if m.kind == "alarm acknowledged"]
    assert texts == [f"{CLOCK}: outside tolerance: seen by Ada"]


def test_deviation_of_what_came_so_far(web: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("labref_web.desk.DEVIATIONS_EVERY_S", 0.0)
    web.gates(200, beat=[float(n % 2) for n in range(200)])
    said = checked(web.ask(f"{ABOUT}/deviation"), ABOUT_("deviation"))
    # Two alternating values, 1 Hz apart: sigma_y(1 s) = 1 Hz / sqrt(2) / nu exactly (Allan's
    # definition: half the mean squared difference of neighbours).
    assert said["tau_s"][0] == 1.0
    assert said["value"][0] == pytest.approx(1 / math.sqrt(2) / 411042129776400, rel=1e-9)
    assert said["value"][1] == pytest.approx(0.0, abs=1e-20)
    assert said["title"]


def test_the_trace_is_listed_and_its_files_download(
    make_web: Callable[..., Any], tmp_path: Path
) -> None:
    web = make_web(out=tmp_path / "trace")
    web.gates(5)
    (file,) = checked(web.ask("/api/v1/trace"), "/api/v1/trace")["files"]
    assert file["live"]
    reply = web.ask(f"/api/v1/trace/{file['name']}")
    assert reply.status == 200
    assert reply.body.startswith(b"\x89HDF\r\n")
    assert len(reply.body) == file["bytes"]


def test_a_pushed_reading_arrives_and_an_instruments_channel_cannot_be_pushed(web: Any) -> None:
    path = "/api/v1/readings"
    start = web.start_ns
    reading = {"channel": "field", "start_ns": start, "stop_ns": start + S, "offset_hz": 1e-7}
    assert checked(web.post(path, reading), path, "post") == {"ok": True}
    web.gates(1)
    assert web.ears.readings["field"].offset == 1e-7
    checked(web.post(path, {**reading, "channel": "beat"}), path, "post", 403)
    checked(web.post(path, {**reading, "channel": "nobody"}), path, "post", 404)
    checked(web.post(path, {**reading, "stop_ns": start}), path, "post", 422)
    checked(web.post(path, {**reading, "offset_hz": "1"}), path, "post", 400)
    checked(web.post(path, {**reading, "more": 1}), path, "post", 400)
    checked(web.post(path, b'{"channel":"field","start_ns":NaN}'), path, "post", 400)


def test_metrics_name_each_state_with_0_or_1(web: Any) -> None:
    web.gates(2, beat=500.0)
    reply = web.ask("/metrics")
    assert reply.headers["content-type"].startswith("text/plain; version=0.0.4")
    lines = reply.body.decode().splitlines()
    states = [line for line in lines if line.startswith("labref_transition_state{")]
    assert states == [
        f'labref_transition_state{{transition="{CLOCK}",state="good"}} 1',
        f'labref_transition_state{{transition="{CLOCK}",state="bad"}} 0',
        f'labref_transition_state{{transition="{CLOCK}",state="unknown"}} 0',
    ]
    assert f'labref_detuning_hertz{{transition="{CLOCK}"}} 500.0' in lines
    web.bench.clock.advance_ns(60 * S)
    web.desk.tick()
    lines = web.ask("/metrics").body.decode().splitlines()
    assert f'labref_detuning_hertz{{transition="{CLOCK}"}} NaN' in lines
    assert f'labref_transition_state{{transition="{CLOCK}",state="unknown"}} 1' in lines


@pytest.mark.parametrize(
    ("path", "status"),
    [
        (f"{ABOUT}/frequency", 400),
        (f"{ABOUT}/frequency?start_ns=1&stop_ns=x", 400),
        (f"{ABOUT}/frequency?start_ns=1&stop_ns=2&stop_ns=3", 400),
        (f"{ABOUT}/frequency?start_ns=2&stop_ns=1", 422),
        (f"{ABOUT}/frequency?start_ns=-1&stop_ns=1", 400),
        (f"{ABOUT}/frequency?start_ns=1&stop_ns=99999999999999999999999", 400),
        (f"{ABOUT}/history?start_ns=1&stop_ns=2&points=0", 400),
        (f"{ABOUT}/history?start_ns=1&stop_ns=2&points=1e9", 400),
        (f"{ABOUT}/wait-good?timeout_s=1000", 400),
        (f"{ABOUT}/wait-good?timeout_s=nan", 400),
        ("/api/v1/transitions/nobody/deviation", 404),
        ("/api/v1/state?x=1", 400),
        ("/api/v1/nothing", 404),
        ("/api/v1/state/", 404),
    ],
)
def test_what_cannot_be_answered_says_so_in_words(web: Any, path: str, status: int) -> None:
    reply = web.ask(path)
    assert (reply.status, reply.value["status"]) == (status, status)
    assert reply.value["error"]


def test_another_method_is_refused_with_those_that_are_there(web: Any) -> None:
    reply = web.ask("/api/v1/state", method="DELETE")
    assert reply.status == 405
    assert "GET" in reply.headers["allow"]


def test_the_document_is_served_and_names_every_path(web: Any) -> None:
    assert web.ask("/openapi.json").value == DOCUMENT
    assert DOCUMENT["openapi"].startswith("3.1")
    assert "/api/v1/stream" in DOCUMENT["paths"]
