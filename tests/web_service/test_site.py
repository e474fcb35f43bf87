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
from labref.model.errors import LabFileError, LinkError
from labref.plugins import load_plugins
from labref.testing.labs import comb_lab
from labref_web import site as site_module
from labref_web.client import Client
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
def neighbour(says: Callable[[], Any]) -> Iterator[str]:
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

    with serving(Handler) as url:
        yield url


@contextmanager
def serving(handler: type[http.server.BaseHTTPRequestHandler]) -> Iterator[str]:
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler)
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
        assert row.reason.startswith("sr: http://")
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


@contextmanager
def dripping(pieces: int, every_s: float) -> Iterator[str]:
    """A service whose answer is whole, good, and comes in so many pieces."""

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            text, pause = json.dumps(state()).encode(), threading.Event()
            whole = b"HTTP/1.0 200 OK\r\nContent-Length: %d\r\n\r\n%b" % (len(text), text)
            size = -(-len(whole) // pieces)
            for first in range(0, len(whole), size):
                try:
                    self.wfile.write(whole[first : first + size])
                except OSError:  # whoever asked has given up
                    return
                pause.wait(every_s)

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    with serving(Handler) as url:
        yield url


def test_an_answer_that_drips_ends_at_its_deadline() -> None:
    with dripping(20, 0.05) as url:
        assert Client(url, timeout_s=20.0).state()["transitions"][0]["state"] == "good"
        with pytest.raises(LinkError, match="timed out"):
            Client(url, timeout_s=0.3).state()
        assert Client(url, timeout_s=0.3).is_good("lattice813") is None


def test_one_that_drips_is_never_good(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(site_module, "TIMEOUT_S", 0.3)
    with dripping(20, 0.05) as url, watching(Asked("slow", url)) as site:
        seen = []
        until(lambda: seen.append(site.views()[0]) or "timed out" in seen[-1].why)
        assert not any(view.answers for view in seen)
        assert seen[-1].why.startswith("slow: ")


def test_an_answer_that_is_too_long_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(site_module, "MOST_BYTES", 2000)
    long = {**state(), "lab": "x" * 3000}
    with neighbour(lambda: long) as url, watching(Asked("sr", url)) as site:
        until(lambda: "longer than 2000 bytes" in site.views()[0].why)
        assert not site.views()[0].answers


@pytest.mark.parametrize("says", [{"now_ns": 1}, ["good"], {**state(), "transitions": [{}]}])
def test_a_neighbour_that_says_nonsense_harms_nobody(
    make_web: Callable[..., Any], says: Any
) -> None:
    with neighbour(lambda: says) as mad, neighbour(state) as sane:
        sessions = Asked("mad", mad), Asked("sr", sane)
        web = make_web(dataclasses.replace(Terms("127.0.0.1", 8729), sessions=sessions))
        web.gates(5)
        own, bad, good = until(lambda: asked(web, lambda s: mad in s[1]["why"] and s[2]["answers"]))
        assert own["transitions"][0]["state"] == good["transitions"][0]["state"] == "good"
        assert (bad["answers"], bad["transitions"]) == (False, [])
        assert bad["why"].startswith("mad: ")


def asked(web: Any, holds: Callable[[Any], bool]) -> Any:
    """The sessions as the endpoint gives them, if so; it always answers."""
    web.desk.tick()
    reply = web.ask("/api/v1/site")
    assert reply.status == 200, reply.body
    sessions = reply.value["sessions"]
    return sessions if holds(sessions) else None


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
        own, other = until(lambda: asked(web, lambda sessions: sessions[1]["answers"]))
        assert [own["name"], other["name"]] == ["here", "sr"]
        assert own["transitions"][0]["name"] == "clock729"
        assert other["transitions"][0]["state"] == "bad"
        assert web.ask("/site").headers["content-type"].startswith("text/html")


@pytest.mark.parametrize(
    ("table", "what"),
    [
        ('[web.sessions.sr]\nurl = "ftp://192.0.2.7"\n', "an address such as"),
        ("[web.sessions.sr]\n", "the address of its service"),
        ('[web.sessions.sr]\nurl = "http://192.0.2.7:99999"\n', "an address such as"),
        ('[web.sessions.here]\nurl = "http://192.0.2.7:8729"\n', "is this session"),
    ],
)
def test_a_mistaken_session_is_named(table: str, what: str) -> None:
    tables = load_plugins(("web",)).tables()
    with pytest.raises(LabFileError, match=what):
        parse_lab(comb_lab() + table, "lab.toml", tables)
