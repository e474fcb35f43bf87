"""All sessions of a site on one service: who does not answer is unknown, and delays nobody."""

from __future__ import annotations

import dataclasses
import http.server
import json
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from labref.config.lab import parse_lab
from labref.model.errors import LabFileError
from labref.plugins import load_plugins
from labref.testing.labs import comb_lab
from labref_web.site import Asked, Neighbours
from labref_web.table import Terms

PATIENCE_S = 30.0


def until(holds: Callable[[], Any]) -> Any:
    end_s, pause = time.monotonic() + PATIENCE_S, threading.Event()
    while time.monotonic() < end_s:
        if found := holds():
            return found
        pause.wait(0.02)
    raise AssertionError("waited in vain")


def state(word: str = "good", ahead_ns: int = 0) -> dict[str, Any]:
    """What another host's service says, as its document describes it."""
    row = {
        "name": "lattice813", "title": "", "state": word, "since_ns": 1, "since": "then",
        "reason": "" if word == "good" else "outside", "detuning_hz": 3.0, "u_hz": 1.0,
        "distance": 0.1,
    }  # fmt: skip
    alarms = [{"level": "raised"}, {"level": "clear"}]
    now_ns = time.time_ns() + ahead_ns
    return {
        "lab": "Sr laboratory (invented)",
        "now_ns": now_ns,
        "transitions": [row],
        "alarms": alarms,
    }


@contextmanager
def neighbour(says: Callable[[], dict[str, Any]]) -> Iterator[str]:
    """A service on loopback that says what ``says`` gives."""

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            body = json.dumps(says()).encode()
            self.send_response(200)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}"
    finally:
        server.shutdown()
        server.server_close()


class Mortal:
    """A neighbour that can be ended early."""

    def __enter__(self) -> Any:
        self._manager = neighbour(state)
        self.url = self._manager.__enter__()
        self._is_up = True
        return self

    def end(self) -> None:
        if self._is_up:
            self._is_up = False
            self._manager.__exit__(None, None, None)

    def __exit__(self, *_: object) -> None:
        self.end()


@contextmanager
def watching(*sessions: Asked) -> Iterator[Neighbours]:
    made = Neighbours(sessions)
    try:
        yield made
    finally:
        made.close()


def test_a_session_that_dies_is_unknown_and_keeps_its_rows() -> None:
    with Mortal() as ended, watching(Asked("sr", ended.url)) as site:
        seen = until(lambda: (s := site.views()[0]).answers and s)
        assert (seen.lab, seen.alarms) == ("Sr laboratory (invented)", 1)
        assert (seen.transitions[0].state, seen.transitions[0].detuning_hz) == ("good", 3.0)
        assert abs(seen.clock_ahead_s) < 5
        ended.end()
        lost = until(lambda: not (s := site.views()[0]).answers and s)
        row = lost.transitions[0]
        assert (row.name, row.state, row.detuning_hz) == ("lattice813", "unknown", None)
        assert row.reason.startswith("sr does not answer")
        assert lost.alarms == 0


def test_one_that_hangs_delays_nobody_and_is_not_known() -> None:
    with (
        socket.create_server(("127.0.0.1", 0)) as deaf,
        neighbour(state) as url,
        watching(
            Asked("deaf", f"http://127.0.0.1:{deaf.getsockname()[1]}"), Asked("sr", url)
        ) as site,
    ):
        until(lambda: site.views()[1].answers)
        assert not site.views()[0].answers
        assert site.views()[0].transitions == []


def test_an_answer_that_is_none_makes_unknown() -> None:
    words = [state()]
    with neighbour(lambda: words[0]) as url, watching(Asked("sr", url)) as site:
        until(lambda: site.views()[0].answers)
        words[0] = {"hello": "world"}
        lost = until(lambda: not (s := site.views()[0]).answers and s)
        assert lost.transitions[0].state == "unknown"


def test_a_clock_that_is_far_off_is_said() -> None:
    with neighbour(lambda: state(ahead_ns=60 * 10**9)) as url, watching(Asked("sr", url)) as site:
        seen = until(lambda: (s := site.views()[0]).answers and s)
        assert seen.clock_ahead_s == pytest.approx(60, abs=5)
        assert "its clock is" in seen.why


def test_the_endpoint_gives_this_session_first(make_web: Callable[..., Any]) -> None:
    with neighbour(lambda: state("bad")) as url:
        terms = dataclasses.replace(Terms("127.0.0.1", 8729), sessions=(Asked("sr", url),))
        web = make_web(terms)
        web.gates(5)
        until(lambda: web.desk.neighbours.views()[0].answers)
        web.desk.tick()
        site = web.ask("/api/v1/site").value
        assert [s["name"] for s in site["sessions"]] == ["here", "sr"]
        assert site["sessions"][0]["transitions"][0]["name"] == "clock729"
        assert site["sessions"][1]["transitions"][0]["state"] == "bad"
        assert web.ask("/site").headers["content-type"].startswith("text/html")


@pytest.mark.parametrize(
    ("table", "what"),
    [
        ('[web.sessions.sr]\nurl = "ftp://192.0.2.7"\n', "an address such as"),
        ("[web.sessions.sr]\n", "the address of its service"),
    ],
)
def test_a_mistaken_session_is_named(table: str, what: str) -> None:
    tables = load_plugins(("web",)).tables()
    with pytest.raises(LabFileError, match=what):
        parse_lab(comb_lab() + table, "lab.toml", tables)
