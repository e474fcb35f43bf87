"""Changing a channel that others share: announced, consented to, made; every step retained.

A change is *made* only when every subscriber has consented, or inside the maintenance window that
was announced with it. Once made, the subscribers' gates of that channel are flagged until their lab
files say that the integers were renewed (``accepted_changes``).
"""

from __future__ import annotations

import json
import threading
import time
import uuid
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from labref.model.errors import InputError, LinkError, RefusedError
from labref.model.times import iso
from labref_mqtt.address import make_client, parse
from labref_mqtt.payload import encoded, topic_of

_PATIENCE_S = 3.0
# Retained messages come in a burst right after subscribing; silence of this length ends it.
_QUIET_S = 0.4


@dataclass(slots=True)
class Change:
    """One change of a shared channel and who has consented. Times in ns UTC."""

    number: str
    channel: str
    text: str
    by: str
    phase: str
    window: tuple[int, int] | None = None
    consents: dict[str, str] = field(default_factory=dict)

    def missing(self, subscribers: set[str]) -> set[str]:
        """Subscribers that have not consented."""
        return subscribers - set(self.consents)


class ChangeDesk:
    """Reads and writes the retained messages of one session's changes. A context manager.

    Raises LinkError where the broker does not answer.
    """

    def __init__(self, address: str, now_ns: Callable[[], int] = time.time_ns) -> None:
        self._broker = parse(address)
        self._now_ns = now_ns
        self._changes: dict[str, dict[str, Any]] = {}
        self._consents: dict[str, dict[str, str]] = {}
        self._subscribers: set[str] = set()
        self._heard = threading.Event()
        self._ready = threading.Event()
        self._client: Any = None

    def __enter__(self) -> ChangeDesk:
        client = self._client = make_client(self._broker)
        client.on_message = self._on_message
        client.on_subscribe = lambda *_: self._ready.set()
        client.on_connect = self._on_connect
        try:
            client.connect(self._broker.host, self._broker.port, 5)
        except OSError as error:
            raise LinkError(f"{self._broker.host}:{self._broker.port}: {error}") from None
        client.loop_start()
        if not self._ready.wait(_PATIENCE_S):
            client.loop_stop()
            raise LinkError(f"{self._broker.host}:{self._broker.port}: no answer")
        self.refresh()
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def refresh(self) -> None:
        """Wait until retained messages have come."""
        self._heard.clear()
        while self._heard.wait(_QUIET_S):
            self._heard.clear()

    @property
    def subscribers(self) -> set[str]:
        """Who has said that it uses this session's channels."""
        return set(self._subscribers)

    def changes(self) -> list[Change]:
        """All changes that are known, by number."""
        return [self._change(number) for number in sorted(self._changes)]

    def subscribe_as(self, who: str, *, leaves: bool = False) -> None:
        """Say that ``who`` uses this session's channels, or no longer does."""
        message = b"" if leaves else encoded({"who": who, "since_ns": self._now_ns()})
        self._publish(f"subscriber/{topic_of(_name(who))}", message)

    def announce(
        self, channel: str, text: str, by: str, window: tuple[int, int] | None = None
    ) -> Change:
        """Announce a change before it happens. Raises InputError without a name and a text."""
        if not (channel.strip() and text.strip() and by.strip()):
            raise InputError("a change needs a channel, what will change, and who answers for it")
        if window is not None and not self._now_ns() < window[1] > window[0]:
            raise InputError("a maintenance window ends after it begins, and in the future")
        number = uuid.uuid4().hex[:8]
        change = Change(number, channel, text, by, "announced", window)
        self._put(change)
        return change

    def consent(self, number: str, who: str, by: str) -> None:
        """Consent for the subscriber ``who``. Raises InputError for an unknown change."""
        self._known(number)
        message = encoded({"by": _name(by), "who": who, "at_ns": self._now_ns()})
        self._publish(f"consent/{number}/{topic_of(_name(who))}", message)

    def made(self, number: str, by: str) -> Change:
        """Say that the change was made: everything that rests on the channel is void from now.

        Raises RefusedError naming who has not consented, outside the maintenance window.
        """
        change = self._known(number)
        if change.phase != "announced":
            raise RefusedError(f"change {number} is {change.phase} already")
        missing = change.missing(self._subscribers)
        now_ns = self._now_ns()
        inside = change.window is not None and change.window[0] <= now_ns < change.window[1]
        if missing and not inside:
            window = "" if change.window is None else f"; window from {iso(change.window[0], 0)}"
            raise RefusedError(
                f"change {number}: no consent of {', '.join(sorted(missing))}{window}"
            )
        change.phase, change.by = "made", _name(by)
        self._put(change)
        return change

    def withdraw(self, number: str, by: str) -> Change:
        """Take an announcement back. A change that was made cannot be withdrawn, only another
        one announced. Raises RefusedError."""
        change = self._known(number)
        if change.phase != "announced":
            raise RefusedError(f"change {number} is {change.phase} already")
        change.phase, change.by = "withdrawn", _name(by)
        self._put(change)
        return change

    # -----------------------------------------------------------------------------------------

    def _known(self, number: str) -> Change:
        if number not in self._changes:
            known = ", ".join(sorted(self._changes)) or "none"
            raise InputError(f"no change {number!r} was announced; known: {known}")
        return self._change(number)

    def _change(self, number: str) -> Change:
        said = self._changes[number]
        window = said.get("window_ns")
        return Change(
            number,
            str(said.get("channel")),
            str(said.get("text")),
            str(said.get("by")),
            str(said.get("phase")),
            None if window is None else (int(window[0]), int(window[1])),
            dict(self._consents.get(number, {})),
        )

    def _put(self, change: Change) -> None:
        now_ns = self._now_ns()
        message = {
            "kind": "change",
            "number": change.number,
            "channel": change.channel,
            "phase": change.phase,
            "text": change.text,
            "by": change.by,
            "at_ns": now_ns,
            "at": iso(now_ns, 3),
            "window_ns": change.window,
        }
        self._changes[change.number] = message
        self._publish(f"change/{change.number}", encoded(message))

    def _publish(self, below: str, message: bytes) -> None:
        sent = self._client.publish(f"{self._broker.topic}/{below}", message, 1, True)
        sent.wait_for_publish(_PATIENCE_S)
        if not sent.is_published():
            raise LinkError(f"{self._broker.host}: the broker does not confirm")

    def _on_connect(self, client: Any, *_: Any) -> None:
        below = ("change/+", "consent/+/+", "subscriber/+")
        client.subscribe([(f"{self._broker.topic}/{name}", 1) for name in below])

    def _on_message(self, _client: Any, _data: Any, message: Any) -> None:
        self._heard.set()
        kind, *rest = message.topic.removeprefix(self._broker.topic + "/").split("/")
        if kind == "subscriber":
            (self._subscribers.add if message.payload else self._subscribers.discard)(rest[0])
            return
        try:
            said = json.loads(message.payload)
        except (ValueError, RecursionError):
            return
        if not isinstance(said, dict):
            return
        if kind == "change":
            self._changes[rest[0]] = said
        elif kind == "consent" and len(rest) == 2:
            self._consents.setdefault(rest[0], {})[rest[1]] = str(said.get("by"))


def _name(text: str) -> str:
    if not text.strip():
        raise InputError("a name is missing: who?")
    return text.strip()
