"""A client for experiments on other computers: standard library only.

    client = Client("http://127.0.0.1:8729")
    client.is_good("clock729")                       # True, False, or None: unknown
    client.was_good("clock729", start_ns, stop_ns)
    client.wait_good(["cooling397", "clock729"], timeout_s=60)

Nothing is remembered: a server that is lost, slow or broken reads as unknown, never as the last
value. What the server refuses (an unknown name, a missing token) is an error instead.
"""

from __future__ import annotations

import http.client
import json
import math
import threading
import time
from collections.abc import Sequence
from fractions import Fraction
from typing import Any
from urllib.parse import quote, urlencode, urlsplit

from labref.model.errors import InputError, LinkError, RefusedError
from labref.model.verdict import State, Verdict
from labref.model.window import WindowMean
from labref_web.hasty import Hasty

LONGEST_POLL_S = 20.0
PAUSE_S = 0.5
LONGEST_ANSWER = 64 * 2**20
_TRUTH: dict[object, bool | None] = {"good": True, "bad": False}


class Client:
    """Asks one service. ``token``: the reading (or acting) token, where it has one.

    ``timeout_s``: longer than that no whole answer is waited for, however it drips; one of more
    than ``most_bytes`` is refused. Safe from several threads.
    """

    def __init__(
        self,
        url: str,
        token: str = "",
        timeout_s: float = 2.0,
        most_bytes: int = LONGEST_ANSWER,
    ) -> None:
        self._host, self._port = _place(url)
        self._most_bytes = most_bytes
        self._headers = {"Authorization": f"Bearer {token}"} if token else {}
        self._timeout_s = timeout_s
        self._own = threading.local()
        self.url = url

    def is_good(self, transition: str) -> bool | None:
        """True, False, or None for unknown. Raises InputError, RefusedError."""
        return self.verdict(transition).state.truth

    def verdict(self, transition: str) -> Verdict:
        """State, reason and what clears it now; unknown where nobody answers."""
        try:
            said = self._about(transition, "wait-good", {"timeout_s": 0})
            state = State[said["state"].upper()]
            return Verdict(transition, state, said["now_ns"], said["reason"], said["clears"])
        except (LinkError, KeyError, AttributeError) as error:
            what = f"no service answers at {self.url}: {error}"
            return Verdict(transition, State.UNKNOWN, time.time_ns(), what, "an answer")

    def was_good(self, transition: str, start_ns: int, stop_ns: int) -> bool | None:
        """Whether it was good all through the window; None is unknown, also without an answer."""
        window = {"start_ns": start_ns, "stop_ns": stop_ns}
        try:
            return _TRUTH.get(self._about(transition, "was-good", window).get("state"))
        except LinkError:
            return None

    def frequency(self, transition: str, start_ns: int, stop_ns: int) -> WindowMean | None:
        """Mean over the window with uncertainty and coverage; None where nobody answers."""
        window = {"start_ns": start_ns, "stop_ns": stop_ns}
        try:
            said = self._about(transition, "frequency", window)
            return WindowMean(
                Fraction(said["nominal_hz"]),
                _number(said["offset_hz"], math.nan),
                _number(said["u_counting_hz"], math.inf),
                _number(said["u_unmeasured_hz"], math.inf),
                _number(said["u_constant_hz"], math.inf),
                float(said["coverage"]),
                int(said["gates"]),
            )
        except (LinkError, KeyError, TypeError, ValueError):
            return None

    def wait_good(self, transitions: str | Sequence[str], timeout_s: float) -> bool:
        """Wait until every one is good at one time, at most ``timeout_s``; whether they are.

        A server that is lost is asked again until the time is over: that counts as not good.
        """
        names = [transitions] if isinstance(transitions, str) else list(transitions)
        end_s = time.monotonic() + timeout_s
        while True:
            waiting = [name for name in names if self.is_good(name) is not True]
            left_s = end_s - time.monotonic()
            if not waiting or left_s <= 0:
                return not waiting
            poll_s = min(left_s, LONGEST_POLL_S)
            try:
                self._about(waiting[0], "wait-good", {"timeout_s": poll_s}, poll_s)
            except LinkError:
                time.sleep(min(PAUSE_S, max(0.0, end_s - time.monotonic())))

    def push(
        self, channel: str, start_ns: int, stop_ns: int, offset_hz: float, u_hz: float | None = None
    ) -> None:
        """Hand in a reading of the experiment's own. Raises LinkError when nobody answers."""
        reading = {"channel": channel, "start_ns": start_ns, "stop_ns": stop_ns}
        self._ask("POST", "/api/v1/readings", {**reading, "offset_hz": offset_hz, "u_hz": u_hz})

    def state(self) -> dict[str, Any]:
        """Everything of this moment as plain values. Raises LinkError when nobody answers."""
        return self._ask("GET", "/api/v1/state")

    def close(self) -> None:
        """Close this thread's connection."""
        connection = getattr(self._own, "connection", None)
        self._own.connection = None
        if connection is not None:
            connection.close()

    def _about(
        self, transition: str, what: str, query: dict[str, Any], longer_s: float = 0.0
    ) -> dict[str, Any]:
        path = f"/api/v1/transitions/{quote(transition, safe='')}/{what}?{urlencode(query)}"
        return self._ask("GET", path, longer_s=longer_s)

    def _ask(
        self, method: str, path: str, body: dict[str, Any] | None = None, longer_s: float = 0.0
    ) -> dict[str, Any]:
        data = None if body is None else json.dumps(body).encode()
        headers = {**self._headers, **({"Content-Type": "application/json"} if data else {})}
        status, text = self._exchange(method, path, data, headers, self._timeout_s + longer_s)
        try:
            said = json.loads(text)
        except (ValueError, RecursionError):
            raise LinkError(f"{self.url}: not an answer of labref (status {status})") from None
        if not isinstance(said, dict):
            raise LinkError(f"{self.url}: not an answer of labref (status {status})")
        if status == 200:
            return said
        words = f"{self.url}: {said.get('error', status)}"
        if status in (401, 403, 409):
            raise RefusedError(words)
        raise (LinkError if status >= 500 else InputError)(words)

    def _exchange(
        self, method: str, path: str, data: bytes | None, headers: dict[str, str], within_s: float
    ) -> tuple[int, bytes]:
        """One exchange; a kept connection that the server has closed is made anew, once."""
        kept = getattr(self._own, "connection", None)
        end_s = time.monotonic() + within_s
        for connection in [kept, None] if kept is not None and method == "GET" else [None]:
            if connection is None:
                self.close()
                connection = Hasty(self._host, self._port)
            connection.end_s = end_s
            try:
                found: tuple[int, bytes] = connection.exchange(
                    method, path, data, headers, self._most_bytes
                )
            except (http.client.RemoteDisconnected, ConnectionResetError, BrokenPipeError) as error:
                connection.close()
                problem: Exception = error
                continue
            except (OSError, http.client.HTTPException, LinkError) as error:
                connection.close()
                self._own.connection = None
                raise LinkError(f"{self.url}: {error or type(error).__name__}") from None
            self._own.connection = connection
            return found
        self._own.connection = None
        raise LinkError(f"{self.url}: {problem}")


def _place(url: str) -> tuple[str, int]:
    """Host and port. Raises InputError."""
    try:
        parts = urlsplit(url)
        if parts.scheme == "http" and parts.hostname and parts.path in ("", "/"):
            return parts.hostname, parts.port or 80
    except ValueError:  # a port that is none, brackets that are not closed
        pass
    raise InputError(f"{url!r}: an address such as http://127.0.0.1:8729 is meant")


def _number(value: float | None, unknown: float) -> float:
    return unknown if value is None else float(value)
