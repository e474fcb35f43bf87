"""The sending side: a thread of its own, a bounded queue, the newest state of each transition.

While the broker is away gates and alarms wait in a bounded queue and states are only replaced:
who joins later wants the newest. A message is forgotten when the broker has acknowledged it.
"""

from __future__ import annotations

import json
import logging
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from typing import Any

from labref.model.errors import InputError, LinkError
from labref.model.exact import exact_text
from labref.model.readings import Readings
from labref.model.result import Result
from labref.model.times import NS_PER_S, iso
from labref.model.verdict import Alarm
from labref_mqtt import payload
from labref_mqtt.address import make_client, parse
from labref_mqtt.table import MqttTable

_LOG = logging.getLogger("labref.mqtt")
_KEEP_ALIVE_S = 5
_IN_FLIGHT = 200
_QUEUE_FULL = 15  # paho's MQTT_ERR_QUEUE_SIZE
_RETRY_S = (0.2, 5.0)
_LONGEST_STOP_S = 2.0
_SLACK_S = 0.5

Item = tuple[str, Callable[[], dict[str, Any]]]


class Publisher:
    """Publishes for one session. Methods that take values never wait and never raise."""

    def __init__(self, table: MqttTable, lab: Any) -> None:
        self._broker = parse(table.broker)
        self._every_s = float(table.state_every_s)
        self._shared = {
            name: (exact_text(lab.channels[name].nominal), lab.channels[name].unit)
            for name in table.channels
        }
        self._queue: deque[Item] = deque(maxlen=table.waiting)
        self._states: dict[str, tuple[Result, float]] = {}
        self._since: dict[str, tuple[int, int, str]] = {}
        self._news: set[str] = set()
        self._wake = threading.Condition()
        self._ending = False
        self._connected = False
        self._outstanding: deque[Any] = deque()
        self._thread = threading.Thread(target=self._run, name="labref mqtt", daemon=True)
        self._client: Any = None
        self.dropped = 0

    # the session's side --------------------------------------------------------------------

    def start(self) -> None:
        """Begin; an unreachable broker is tried again until it is there."""
        self._thread.start()

    def readings(self, readings: Sequence[Readings]) -> None:
        """Gates of the shared channels."""
        for block in readings:
            if block.channel in self._shared and len(block):
                nominal, unit = self._shared[block.channel]
                name = block.channel
                self._put(
                    f"channel/{payload.topic_of(name)}",
                    lambda block=block, name=name, n=nominal, u=unit: payload.gates(  # type: ignore[misc]
                        name, n, u, block
                    ),
                )

    def results(self, results: Sequence[Result]) -> None:
        """States: only the newest is kept."""
        with self._wake:
            for result in results:
                if len(result.frequencies):
                    self._newest(result)
            self._wake.notify()

    def alarm(self, alarm: Alarm) -> None:
        """An alarm."""
        self._put(f"alarm/{payload.topic_of(alarm.subject)}", lambda: payload.alarm(alarm))

    def stop(self, reason: str) -> None:
        """Say that nothing is known any more, send what waits for at most 2 s, disconnect."""
        with self._wake:
            self._ending = True
            self._wake.notify()
        if self._thread.is_alive():
            self._thread.join(_LONGEST_STOP_S + 1)
        _LOG.info("ended: %s", reason)

    # the thread's side -----------------------------------------------------------------------

    def _put(self, topic: str, make: Callable[[], dict[str, Any]]) -> None:
        with self._wake:
            if len(self._queue) == self._queue.maxlen:
                self.dropped += 1
            self._queue.append((topic, make))
            self._wake.notify()

    def _newest(self, result: Result) -> None:
        name, last = result.frequencies.transition, len(result.frequencies) - 1
        word, reason = int(result.states[last]), result.reason(last).text
        before = self._since.get(name)
        if before is None or before[1:] != (word, reason):
            # Since when the state holds; another reason for the same state is news, no new state.
            same = before is not None and before[1] == word
            since_ns = before[0] if same and before else int(result.frequencies.start_ns[last])
            self._since[name] = (since_ns, word, reason)
            self._news.add(name)
        self._states[name] = (result, time.monotonic())

    def _run(self) -> None:
        try:
            self._client = make_client(self._broker)
        except (InputError, LinkError) as error:
            _LOG.error("not publishing: %s", error)
            return
        client = self._client
        client.will_set(self._topic("alive"), payload.encoded(self._alive(False)), 1, True)
        client.reconnect_delay_set(1, round(_RETRY_S[1]))
        client.max_inflight_messages_set(_IN_FLIGHT)
        client.max_queued_messages_set(2 * _IN_FLIGHT)
        client.on_connect, client.on_disconnect = self._on_connect, self._on_disconnect
        client.on_message, client.on_publish = self._on_message, self._on_acknowledged
        client.connect_async(self._broker.host, self._broker.port, _KEEP_ALIVE_S)
        client.loop_start()
        try:
            self._send()
            if self._connected:
                last = client.publish(
                    self._topic("alive"), payload.encoded(self._alive(False)), 1, True
                )
                last.wait_for_publish(_LONGEST_STOP_S)
        except (OSError, ValueError, RuntimeError) as error:
            _LOG.error("not publishing any more: %s", error)
        finally:
            client.disconnect()
            client.loop_stop()

    def _send(self) -> None:
        due_s: dict[str, float] = {}
        while True:
            with self._wake:
                if not self._ending:
                    self._wake.wait_for(self._has_work, timeout=self._every_s / 4)
                items = self._take()
                news, self._news = self._news, set()
                states = dict(self._states) if self._connected else {}
                ending = self._ending
            for topic, make in items:
                self._publish(topic, make(), retain=False)
            now_s = time.monotonic()
            for name, (result, came_s) in states.items():
                if name in news or now_s >= due_s.get(name, 0.0):
                    due_s[name] = now_s + self._every_s
                    self._publish_state(name, result, now_s - came_s)
            if not self._connected:
                due_s.clear()
            if ending:
                return

    def _has_work(self) -> bool:
        there = bool(self._queue and self._room() > 0) or bool(self._news)
        return self._ending or (self._connected and there)

    def _room(self) -> int:
        """How many more messages may wait for their acknowledgement."""
        while self._outstanding and self._outstanding[0].is_published():
            self._outstanding.popleft()
        return _IN_FLIGHT - len(self._outstanding)

    def _take(self) -> list[Item]:
        """As much as may be under way: the rest waits here, bounded and counted."""
        if not self._connected:
            return []
        count = min(len(self._queue), max(0, self._room()))
        return [self._queue.popleft() for _ in range(count)]

    def _publish(self, topic: str, message: dict[str, Any], *, retain: bool) -> None:
        # Sent again by the client itself until it is acknowledged, over a reconnection too.
        made = self._client.publish(self._topic(topic), payload.encoded(message), 1, retain)
        if made.rc == _QUEUE_FULL:
            self.dropped += 1
        else:
            self._outstanding.append(made)

    def _publish_state(self, name: str, result: Result, age_s: float) -> None:
        since_ns = self._since[name][0]
        message = {**payload.state(result), "since_ns": since_ns, "since": iso(since_ns)}
        if age_s > _longest_s(message):
            # A pass that hangs gives no results: its last word must not be confirmed for ever.
            message |= {"state": "unknown", "cause": "no reading", "leans_on": []}
            message |= {"reason": "the session gives no new gates", "clears": "a new gate"}
        self._publish(f"transition/{payload.topic_of(name)}/state", message, retain=True)

    def _topic(self, below: str) -> str:
        return f"{self._broker.topic}/{below}"

    def _alive(self, alive: bool) -> dict[str, Any]:
        now_ns = time.time_ns()
        shared = sorted(self._shared)
        return {"kind": "alive", "alive": alive, "at_ns": now_ns, "at": iso(now_ns)} | (
            {"channels": shared} if alive else {}
        )

    # paho's thread ----------------------------------------------------------------------------

    def _on_connect(self, client: Any, _data: Any, _flags: Any, reason: Any, _more: Any) -> None:
        if reason.is_failure:
            _LOG.warning("%s refuses: %s", self._broker.host, reason)
            return
        client.subscribe(self._topic("ask"), 0)
        client.publish(self._topic("alive"), payload.encoded(self._alive(True)), 1, True)
        with self._wake:
            self._connected = True
            self._wake.notify()

    def _on_disconnect(self, _client: Any, _data: Any, _flags: Any, reason: Any, _m: Any) -> None:
        self._connected = False
        if not self._ending:
            _LOG.warning("%s: connection lost: %s", self._broker.host, reason)

    def _on_acknowledged(self, *_: Any) -> None:
        with self._wake:
            self._wake.notify()

    def _on_message(self, client: Any, _data: Any, message: Any) -> None:
        """Answer a question for the time; anything else is not for us."""
        heard_ns = time.time_ns()
        try:
            asked = json.loads(message.payload)
            who = payload.topic_of(str(asked["who"]))[:64]
            answer = {
                "kind": "answer",
                "number": int(asked["number"]),
                "asked_ns": int(asked["asked_ns"]),
                "heard_ns": heard_ns,
                "said_ns": time.time_ns(),
            }
        except (ValueError, KeyError, TypeError, RecursionError):
            return
        client.publish(self._topic(f"answer/{who}"), payload.encoded(answer), 0)


def _longest_s(message: dict[str, Any]) -> float:
    """How long after its arrival the newest gate may still be the newest."""
    gate_s: float = (message["stop_ns"] - message["start_ns"]) / NS_PER_S
    return gate_s + max(gate_s, _SLACK_S)
