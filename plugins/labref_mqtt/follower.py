"""What other hosts say of their transitions: good only while somebody live says so.

Unknown without a connection, after a session's last will, after silence, and for a retained
message until a live one confirms it: a broker that was killed brings retained states back that
nobody stands for.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self

from labref.model.verdict import State
from labref_mqtt.address import make_client, parse

MAX_AGE_S = 3.0


@dataclass(frozen=True, slots=True)
class Remote:
    """One transition of one session: its state as it may be believed now, and the message."""

    session: str
    transition: str
    state: State
    why: str
    message: Mapping[str, Any]


@dataclass(slots=True)
class _Heard:
    message: Mapping[str, Any]
    at_s: float
    is_live: bool


class Follower:
    """Follows every session below a topic: a context manager. Methods never block.

    ``address``: mqtt://HOST:PORT/TOPIC where TOPIC is a session's, or a prefix of several.
    ``max_age_s``: silence after which a state is unknown.
    """

    def __init__(
        self,
        address: str,
        max_age_s: float = MAX_AGE_S,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._broker = parse(address)
        self._max_age_s, self._now_s = max_age_s, now_s
        self._lock = threading.Lock()
        self._heard: dict[tuple[str, str], _Heard] = {}
        self._alive: dict[str, bool] = {}
        self._connected = False
        self._client: Any = None

    def __enter__(self) -> Self:
        client = self._client = make_client(self._broker)
        client.on_connect, client.on_disconnect = self._on_connect, self._on_disconnect
        client.on_message = lambda _c, _d, message: self.take(
            message.topic, bytes(message.payload), retained=bool(message.retain)
        )
        client.reconnect_delay_set(1, 5)
        client.connect_async(self._broker.host, self._broker.port, 5)
        client.loop_start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def states(self) -> list[Remote]:
        """Every transition that was ever heard of, by session and name."""
        now_s = self._now_s()
        with self._lock:
            return [
                Remote(session, name, *self._judged(session, heard, now_s), heard.message)
                for (session, name), heard in sorted(self._heard.items())
            ]

    def is_good(self, session: str, transition: str) -> bool | None:
        """True, False, or None for unknown."""
        with self._lock:
            heard = self._heard.get((session, transition))
            if heard is None:
                return None
            return self._judged(session, heard, self._now_s())[0].truth

    def _judged(self, session: str, heard: _Heard, now_s: float) -> tuple[State, str]:
        if not self._connected:
            return State.UNKNOWN, "no connection to the broker"
        if self._alive.get(session) is not True:
            return State.UNKNOWN, "the session has ended or died"
        if not heard.is_live:
            return State.UNKNOWN, "not confirmed yet: an old message"
        if now_s - heard.at_s > self._max_age_s:
            return State.UNKNOWN, f"silent for {now_s - heard.at_s:.1f} s"
        word = str(heard.message.get("state"))
        state = {"good": State.GOOD, "bad": State.BAD}.get(word, State.UNKNOWN)
        return state, str(heard.message.get("reason", ""))

    # paho's thread, and tests ---------------------------------------------------------------

    def connected(self, yes: bool) -> None:
        """The connection stands, or not; what was live before is no longer."""
        with self._lock:
            self._connected = yes
            self._alive.clear()
            for heard in self._heard.values():
                heard.is_live = False

    def take(self, topic: str, payload: bytes, *, retained: bool) -> None:
        """Take one message; nonsense is ignored."""
        try:
            message = json.loads(payload)
        except (ValueError, RecursionError):
            return
        if not isinstance(message, dict):
            return
        with self._lock:
            if topic.endswith("/alive"):
                self._alive[topic.removesuffix("/alive")] = message.get("alive") is True
            elif topic.endswith("/state") and "/transition/" in topic:
                session = topic.rpartition("/transition/")[0]
                key = (session, str(message.get("transition")))
                self._heard[key] = _Heard(message, self._now_s(), not retained)

    def _on_connect(self, client: Any, _data: Any, _flags: Any, reason: Any, _more: Any) -> None:
        if not reason.is_failure:
            self.connected(True)
            client.subscribe(f"{self._broker.topic}/#", 1)

    def _on_disconnect(self, *_: Any) -> None:
        self.connected(False)
