"""Server-sent events: numbers, resume, the newest state only, slow readers dropped."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from typing import Any

import pytest

from labref_web import stream as stream_module
from labref_web.asgi import Message

CLIENT = ("127.0.0.1", 50_000)


class Listener:
    """One reader of the stream, driven on the bench's loop; ``is_stuck``: it takes nothing."""

    def __init__(self, web: Any, last: str = "", is_stuck: bool = False) -> None:
        self.web, self.data, self.pieces, self.ended = web, b"", 0, False
        self.is_stuck = is_stuck
        self.gone = asyncio.Event()
        headers = {"host": "localhost", **({"last-event-id": last} if last else {})}
        scope = web.scope("/api/v1/stream", "GET", headers)
        self.task = web.loop.create_task(web.app(scope, self.receive, self.send))
        self.turn()

    async def receive(self) -> Message:
        await self.gone.wait()
        return {"type": "http.disconnect"}

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            assert message["status"] == 200
            return
        self.data += message["body"]
        self.pieces += 1
        self.ended = not message["more_body"]
        if self.is_stuck:
            await asyncio.Event().wait()

    def turn(self) -> None:
        async def some() -> None:
            for _ in range(10):
                await asyncio.sleep(0)

        self.web.loop.run_until_complete(some())

    def events(self) -> list[tuple[str, str, Any]]:
        """(kind, id, value) of every event so far."""
        found = []
        for part in self.data.decode().split("\n\n"):
            fields = dict(line.split(": ", 1) for line in part.split("\n") if line[:1] not in ":")
            if "data" in fields:
                found.append((fields["event"], fields.get("id", ""), json.loads(fields["data"])))
        return found

    def close(self) -> None:
        self.gone.set()
        self.turn()


def test_a_reader_gets_the_state_at_once_and_again_when_it_changes(web: Any) -> None:
    reader = Listener(web)
    assert [kind for kind, _, _ in reader.events()] == ["state"]
    web.gates(2, beat=500.0)
    reader.turn()
    kind, number, state = reader.events()[-1]
    assert kind == "state"
    assert state["transitions"][0]["state"] == "good"
    assert int(number) == state["sequence"]
    web.desk.tick()
    reader.turn()
    assert len(reader.events()) == 2, "nothing changed, nothing is sent"
    reader.close()
    assert web.desk.stream.readers == 0


def test_alarms_faults_and_shots_come_as_events(web: Any) -> None:
    reader = Listener(web)
    with web.bench.session.shot("0815"):
        web.gates(3, beat=50_000.0)
    web.gates(4)
    reader.turn()
    kinds = [kind for kind, _, _ in reader.events()]
    assert kinds.count("alarm") == 2
    assert kinds.count("shot") == 1
    numbers = [int(number) for _, number, _ in reader.events()]
    assert numbers == sorted(numbers)
    reader.close()


def test_who_comes_back_gets_what_was_missed_once(web: Any) -> None:
    first = Listener(web)
    web.gates(1)
    first.turn()
    last = first.events()[-1][1]
    first.close()
    web.gates(3, beat=50_000.0)
    web.gates(3)
    again = Listener(web, last)
    kinds = [kind for kind, _, _ in again.events()]
    assert kinds == ["alarm", "alarm", "state"]
    assert [v["level"] for k, _, v in again.events() if k == "alarm"] == ["raised", "clear"]
    last = again.events()[-1][1]
    again.close()
    third = Listener(web, last)
    assert [kind for kind, _, _ in third.events()] == ["state"]
    third.close()


@pytest.mark.parametrize(
    ("last", "said"), [("1", "started anew"), ("nonsense", ""), ("9" * 25, "")]
)
def test_a_number_of_another_run_is_told_not_guessed(web: Any, last: str, said: str) -> None:
    web.desk.note("an event")
    reader = Listener(web, last)
    notes = [value["text"] for kind, _, value in reader.events() if kind == "note"]
    assert bool(notes) == bool(said)
    assert not said or said in notes[0]
    reader.close()


def test_events_that_are_gone_are_told(web: Any) -> None:
    start = str(web.desk.stream.number)
    for n in range(stream_module.KEPT + 5):
        web.desk.note(f"event {n}")
    reader = Listener(web, start)
    notes = [value["text"] for kind, _, value in reader.events() if kind == "note"]
    assert notes[0] == "events were missed and are gone"
    assert notes[1:] == [f"event {n}" for n in range(5, stream_module.KEPT + 5)]
    reader.close()


def test_states_that_a_reader_had_no_time_for_are_overwritten(web: Any) -> None:
    reader = Listener(web, is_stuck=True)
    for n in range(50):
        web.gates(1, beat=float(n))
    inside = next(iter(web.desk.stream._readers))
    assert len(inside.waiting) < 50
    assert b'"detuning_hz":49.0' in inside.take()
    reader.task.cancel()
    reader.turn()


def test_a_reader_that_takes_nothing_is_cut_and_harms_nobody(
    make_web: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stream_module, "LONGEST_SEND_S", 0.0)
    web = make_web()
    stuck, well = Listener(web, is_stuck=True), Listener(web)
    web.gates(1)
    well.turn()
    assert web.cut == [CLIENT]
    assert (web.desk.stream.readers, web.desk.stream.dropped) == (1, 1)
    assert [kind for kind, _, _ in well.events()] == ["state", "state"]
    stuck.task.cancel()
    well.close()


def test_a_queue_that_is_full_cuts_its_reader(web: Any) -> None:
    reader = Listener(web, is_stuck=True)
    for n in range(stream_module.MOST_WAITING + 1):
        web.desk.note(f"event {n}")
    web.desk.tick()
    assert web.cut == [CLIENT]
    assert web.desk.stream.readers == 0
    reader.task.cancel()
    reader.turn()


def test_readers_are_bounded(web: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("labref_web.app.MOST_READERS", 1)
    first = Listener(web)
    assert web.ask("/api/v1/stream").status == 503
    first.close()
    second = Listener(web)
    assert [kind for kind, _, _ in second.events()] == ["state"]
    second.close()


def test_a_sign_of_life_comes_every_second(web: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stream_module, "ALIVE_EVERY_S", 0.0)
    reader = Listener(web)
    web.desk.tick()
    reader.turn()
    assert b": alive\n\n" in reader.data
    reader.close()


def test_at_the_end_the_stream_says_so_and_ends(web: Any) -> None:
    reader = Listener(web)
    web.desk.note("the session ends: time is over")
    web.desk.stream.end()
    reader.turn()
    assert reader.ended
    assert reader.events()[-1][2]["text"] == "the session ends: time is over"
    assert reader.task.done()


def test_events_that_the_pass_told_while_the_service_slept_are_bounded() -> None:
    from labref_web.ears import MOST_EVENTS, Queue

    queue: Queue[int] = Queue(MOST_EVENTS)
    for n in range(MOST_EVENTS + 7):
        queue.put(n)
    assert queue.lost == 7
    assert list(queue.take()) == list(range(7, MOST_EVENTS + 7))


def test_one_cause_is_one_alarm_that_keeps_its_number() -> None:
    from dataclasses import replace

    from labref.model.verdict import Alarm, AlarmLevel
    from labref_web.alarm_book import AlarmBook

    alarm = Alarm("a", "link down", AlarmLevel.RAISED, 1, "no answer")
    alarm = replace(alarm, cause="instrument x", consequences=("a", "b", "c"), priority="log")
    book = AlarmBook()
    first = book.take(alarm)
    assert (first.consequences, first.cause) == (["b", "c"], "instrument x")
    entry = book.find(first.id)
    assert entry is not None
    assert book.seen(entry, "Ada").acknowledged_by == "Ada"
    urgent = book.take(replace(alarm, priority="wake"))
    assert (urgent.id, urgent.priority, urgent.acknowledged_by) == (first.id, "wake", None)
    assert len(book.standing) == 1
    clear = book.take(replace(alarm, level=AlarmLevel.CLEAR))
    assert (clear.id, clear.level, book.standing) == (first.id, "clear", [])
