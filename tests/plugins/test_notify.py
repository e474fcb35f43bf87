"""Notifications: grouped by cause, bounded, and never in anybody's way."""

from __future__ import annotations

import json
import sys
import threading
import time
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from labref.actuation.base import Attempt, Ending, Outcome, Phase
from labref.config.lab import parse_lab
from labref.model.errors import LabFileError
from labref.model.fault import Fault
from labref.model.verdict import Alarm, AlarmLevel
from labref.plugins import load_plugins
from labref.testing.labs import comb_lab
from labref_notify import Notifier
from labref_notify.message import Bundle, Message, grouped
from labref_notify.post import Postman
from labref_notify.table import NotifyTable
from labref_notify.targets import target_of

S = 10**9


def message(n: int, cause: str = "link down", subject: str = "laser") -> Message:
    return Message(n * S, cause, subject, f"text {n}", "alarm raised")


def alarm(subject: str, kind: str = "link down") -> Alarm:
    return Alarm(subject, kind, AlarmLevel.RAISED, S, "no answer", "an answer")


def test_messages_of_one_cause_are_one_bundle() -> None:
    found = grouped([message(1), message(2, "drift"), message(3, subject="other")], lost=4)
    assert [(b.cause, len(b.messages), b.lost) for b in found] == [
        ("link down", 2, 4),
        ("drift", 1, 0),
    ]
    assert "2 messages: laser, other" in found[0].title
    assert "4 messages before these" in found[0].body


def test_a_long_bundle_is_counted_not_cut_silently() -> None:
    bundle = Bundle("x", tuple(message(n) for n in range(50)))
    assert bundle.body.splitlines()[-1] == "and 30 more"
    assert len(bundle.values["messages"]) == 50


def test_a_full_queue_counts_what_it_loses_and_keeps_the_first() -> None:
    sent: list[Bundle] = []
    postman = Postman("p", sent.append, waiting=3)
    for n in range(10):
        postman.put(message(n))
    postman.deliver()
    assert [m.time_ns // S for m in sent[0].messages] == [0, 1, 2]
    assert sent[0].lost == 7


def test_a_target_that_fails_is_tried_again_and_then_given_up() -> None:
    tries: list[int] = []
    problems: list[str] = []

    def fail(_: Bundle) -> None:
        tries.append(1)
        raise OSError("nobody there")

    postman = Postman("p", fail, tries=3, first_pause_s=0.001, problem=problems.append)
    postman.put(message(1))
    postman.deliver()
    assert len(tries) == 3
    assert problems == ["p: given up after 3 tries: OSError: nobody there"]
    assert (postman.sent, postman.failed) == (0, 1)


def test_a_dead_endpoint_never_delays_whoever_tells() -> None:
    """10 000 messages into a target that hangs: putting stays far below a millisecond each."""
    hung = threading.Event()
    postman = Postman("p", lambda _: hung.wait() and None, group_s=0.0, waiting=100)
    postman.start()
    postman.put(message(0))
    begun = time.perf_counter()
    for n in range(10_000):
        postman.put(message(n))
    assert time.perf_counter() - begun < 1.0
    hung.set()
    postman.stop()


def test_stopping_sends_what_waits() -> None:
    sent: list[Bundle] = []
    postman = Postman("p", sent.append, group_s=60.0)
    postman.start()
    postman.put(message(1))
    postman.stop()
    assert len(sent) == 1


def test_a_log_gets_every_line(tmp_path: Path) -> None:
    send = target_of(NotifyTable(log=str(tmp_path / "log")))
    send(Bundle("link down", (message(1), message(2))))
    send(Bundle("drift", (message(3),)))
    lines = (tmp_path / "log").read_text().splitlines()
    assert len(lines) == 3
    assert lines[0] == "1970-01-01T00:00:01.000Z alarm raised: laser: text 1"


def test_a_command_gets_the_message_on_its_input_and_no_shell(tmp_path: Path) -> None:
    out = tmp_path / "out"
    code = f"import sys; open({str(out)!r}, 'w').write(sys.stdin.read())"
    evil = Message(S, "cause", "laser", "$(touch /nowhere); `id`", "alarm raised")
    target_of(NotifyTable(command=[sys.executable, "-c", code]))(Bundle("cause", (evil,)))
    assert "$(touch /nowhere); `id`" in out.read_text()


def test_a_command_that_fails_raises(tmp_path: Path) -> None:
    send = target_of(NotifyTable(command=[sys.executable, "-c", "raise SystemExit(3)"]))
    with pytest.raises(Exception, match="exit status 3"):
        send(Bundle("x", (message(1),)))


def test_a_webhook_gets_json() -> None:
    got: list[Any] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            got.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.handle_request, daemon=True)
    thread.start()
    address = f"http://127.0.0.1:{server.server_port}/labref"
    target_of(NotifyTable(webhook=address, timeout_s=2))(Bundle("drift", (message(1),)))
    thread.join(2.0)
    server.server_close()
    assert got[0]["cause"] == "drift"
    assert got[0]["messages"][0]["time_ns"] == S


def test_apprise_is_asked_only_when_it_is_used(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[Any] = []

    class Apprise:
        def add(self, address: str) -> bool:
            told.append(address)
            return address == "json://host"

        def notify(self, title: str, body: str) -> bool:
            told.append((title, body))
            return True

    monkeypatch.setitem(sys.modules, "apprise", SimpleNamespace(Apprise=Apprise))
    bundle = Bundle("drift", (message(1),))
    target_of(NotifyTable(apprise="json://host"))(bundle)
    assert told == ["json://host", (bundle.title, bundle.body)]
    with pytest.raises(ValueError, match="does not understand"):
        target_of(NotifyTable(apprise="nonsense"))(bundle)


def test_alarms_faults_and_attempts_reach_the_target(tmp_path: Path) -> None:
    notifier = Notifier()
    table = NotifyTable(log=str(tmp_path / "log"), group_s=0)
    only = NotifyTable(log=str(tmp_path / "faults"), about=["faults"], group_s=0)
    notifier.on_start(SimpleNamespace(tables={"notify": {"all": table, "some": only}}))
    notifier.on_alarm(alarm("cooling397"))
    notifier.on_fault(Fault("trace", "no space", S))
    outcome = Outcome(Ending.DONE, "verified")
    names = ("line",), ("piezo",)
    for phase in (Phase.MOVED, Phase.ENDED):
        notifier.on_attempt(Attempt("laser_a", "relock", phase, S, "done", *names, 1, outcome))
    notifier.on_stop("over")
    lines = (tmp_path / "log").read_text().splitlines()
    assert len(lines) == 3  # single moves are not told
    assert any("cooling397" in line for line in lines)
    assert any("laser_a: ended: done" in line for line in lines)
    assert (tmp_path / "faults").read_text().splitlines() == [
        "1970-01-01T00:00:01.000Z fault: trace: no space"
    ]


def test_one_cause_in_ten_transitions_is_one_message(tmp_path: Path) -> None:
    sent: list[Bundle] = []
    notifier = Notifier()
    postman = Postman("p", sent.append)
    notifier._postmen.append((frozenset(["alarms"]), frozenset(["work hours"]), postman))
    for n in range(10):
        notifier.on_alarm(alarm(f"line{n}", "reference not trusted"))
    postman.deliver()
    assert len(sent) == 1
    assert len(sent[0].messages) == 10


def test_who_wants_to_be_woken_hears_only_that(tmp_path: Path) -> None:
    notifier = Notifier()
    table = NotifyTable(log=str(tmp_path / "night"), priorities=["wake"], group_s=0)
    notifier.on_start(SimpleNamespace(tables={"notify": {"phone": table}}))
    notifier.on_alarm(alarm("cooling397"))
    notifier.on_alarm(replace(alarm("gnssdo"), priority="wake", consequences=("clock729", "a")))
    notifier.on_stop("over")
    (line,) = (tmp_path / "night").read_text().splitlines()
    assert "gnssdo" in line
    assert "rests on it: clock729, a" in line


def test_two_sessions_have_two_notifiers() -> None:
    first, second = (load_plugins((), [("notify", Notifier)]) for _ in range(2))
    one, two = (p.manager.get_plugin("notify") for p in (first, second))
    assert isinstance(one, Notifier)
    assert one is not two


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ('log = "a"\nwebhook = "http://x"', "not 2"),
        ("group_s = 5", "not 0"),
        ('webhook = "ftp://x"', "begins with http"),
        ('log = "a"\nabout = ["gossip"]', "alarms"),
    ],
)
def test_mistakes_of_the_lab_file(table: str, says: str) -> None:
    tables = load_plugins((), [("notify", Notifier)]).tables()
    with pytest.raises(LabFileError, match=says):
        parse_lab(comb_lab() + f"\n[notify.x]\n{table}\n", "lab.toml", tables)
