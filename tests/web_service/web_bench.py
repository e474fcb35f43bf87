"""The service without a socket: a lab on a virtual clock behind the whole application."""

from __future__ import annotations

import asyncio
import json
import socket
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from labref.session.control import Control
from labref.session.enquiries import Enquiries
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab
from labref_web.app import application
from labref_web.asgi import Message
from labref_web.desk import Desk
from labref_web.ears import Ears
from labref_web.table import Terms

S = 10**9
CLOCK = "clock729"
CHANNELS = ("f_rep", "f_ceo", "beat", "wm")
READ, ACT = "read-token-of-the-test", "act-token-of-the-test"
PUSHED = """
[channels.field]
nominal = 0
unit = "T"
kind = "field"
pushed = true
"""
LATCHING = "\n[alarms]\nlatching = true\n"


@dataclass
class Reply:
    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def value(self) -> Any:
        return json.loads(self.body)


class Runner:
    """As much of a runner as the service sees."""

    def __init__(self, remote: bool) -> None:
        self.desk = ActDesk(remote)

    def state(self) -> dict[str, Any]:
        armed = "Ada" if self.desk.armed else None
        one = {"armed_by": armed, "armed_for_s": 1.0, "running": False, "waits_for": ""}
        return {"rehearsal": False, "hands_on": self.desk.held, "actuators": {"relock": one}}


class ActDesk:
    """Remembers what it was asked."""

    def __init__(self, remote: bool) -> None:
        from labref.actuation.policy import Arms

        self.arms = Arms(3600.0, remote)
        self.armed = False
        self.held = ""
        self.disarmed: list[tuple[str | None, str]] = []

    def ask_to_arm(self, name: str, by: str, *, remote: bool = False) -> Any:
        return self.arms.ask(name, by, ("mind your eyes",), 0.0, remote)

    def arm(self, token: str) -> None:
        self.arms.redeem(token, 1.0)
        self.armed = True

    def disarm(self, name: str | None = None, by: str = "") -> None:
        self.armed = False
        self.disarmed.append((name, by))

    def hands_on(self, by: str, until_ns: int) -> None:
        self.held = f"hands-on by {by}"

    def hands_off(self, by: str) -> None:
        self.held = ""


class Web:
    """A session, the service's desk, and a way to put requests to the application."""

    def __init__(
        self,
        terms: Terms | None = None,
        *,
        out: Path | None = None,
        more: str = PUSHED,
        runner: Any = None,
        changes: tuple[tuple[str, str], ...] = (),
        plugins: tuple[str, ...] = (),
    ) -> None:
        names = ("tolerance", "evidence", "web", *plugins)
        self.bench = MemoryBench(comb_lab(*changes) + more, plugins=names, out=out)
        self.ears = Ears()
        self.bench.plugins.manager.register(self.ears, "service web")
        self.control = Control(runner, self.bench.clock, self.bench.session.people)
        self.asked = Enquiries(self.bench.session, self.control, out)
        self.cut: list[object] = []
        self.loop = asyncio.new_event_loop()
        terms = Terms("127.0.0.1", 8729) if terms is None else terms
        self.desk = Desk(self.asked, terms, self.ears, self.cut.append)
        self.app = application(self.desk)
        self.desk.tick()

    def gates(self, count: int = 1, **offsets: Any) -> None:
        """Let so many gates of 1 s come on every channel, judge them, tick."""
        values = {name: np.zeros(count) for name in CHANNELS}
        self.bench.run({**values, **{k: np.full(count, v) for k, v in offsets.items()}})
        self.desk.tick()

    @property
    def start_ns(self) -> int:
        return self.bench.start_ns

    def ask(
        self,
        path: str,
        *,
        method: str = "GET",
        body: bytes | object = b"",
        token: str = "",
        headers: dict[str, str] | None = None,
    ) -> Reply:
        """Put one request to the whole application."""
        if not isinstance(body, bytes):
            body = json.dumps(body).encode()
        sent = {"host": "127.0.0.1:8729"}
        if method == "POST":
            sent |= {"content-type": "application/json", "content-length": str(len(body))}
        if token:
            sent["authorization"] = f"Bearer {token}"
        sent |= headers or {}
        return self.loop.run_until_complete(self._ask(path, method, body, sent))

    def post(self, path: str, body: object, **more: Any) -> Reply:
        return self.ask(path, method="POST", body=body, **more)

    def scope(self, path: str, method: str, headers: dict[str, str]) -> dict[str, Any]:
        from urllib.parse import unquote

        raw, _, query = path.partition("?")
        return {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "method": method,
            "scheme": "http",
            "path": unquote(raw),
            "raw_path": raw.encode(),
            "query_string": query.encode(),
            "root_path": "",
            "headers": [(k.lower().encode(), v.encode("latin-1")) for k, v in headers.items()],
            "client": ("127.0.0.1", 50_000),
            "server": ("127.0.0.1", 8729),
        }

    async def _ask(self, path: str, method: str, body: bytes, headers: dict[str, str]) -> Reply:
        said: list[Message] = []
        parts = [body[i : i + 1000] for i in range(0, len(body), 1000)] or [b""]

        async def receive() -> Message:
            if not parts:  # nothing more comes, and nobody goes away
                await asyncio.Event().wait()
            part = parts.pop(0)
            return {"type": "http.request", "body": part, "more_body": bool(parts)}

        async def send(message: Message) -> None:
            said.append(message)

        try:
            await self.app(self.scope(path, method, headers), receive, send)
        except Exception:
            if not said:  # the last resort of the framework raises again after it has answered
                raise
        head = {k.decode().lower(): v.decode("latin-1") for k, v in said[0]["headers"]}
        return Reply(said[0]["status"], head, b"".join(m.get("body", b"") for m in said[1:]))

    def close(self) -> None:
        self.desk.close()
        self.bench.session.stop()
        self.loop.close()


class Served:
    """The bench behind a real socket on this computer: a context manager."""

    def __init__(
        self, port: int = 0, terms: Terms | None = None, runner: Any = None, **more: Any
    ) -> None:
        from labref_web.service import Service

        names = ("tolerance", "evidence", "web")
        self.bench = MemoryBench(comb_lab() + PUSHED, plugins=names, **more)
        control = Control(runner, self.bench.clock, self.bench.session.people)
        asked = Enquiries(self.bench.session, control, more.get("out"))
        self.service = Service(asked, terms or Terms("127.0.0.1", port))
        self.bench.plugins.manager.register(self.service, "service web")

    def __enter__(self) -> Served:
        self.url = self.service.__enter__()
        self.port = int(self.url.rstrip("/").rpartition(":")[2])
        return self

    def __exit__(self, *_: object) -> None:
        self.service.__exit__(None, None, None)
        self.bench.session.stop()

    def gates(self, count: int = 1, **offsets: Any) -> None:
        values = {name: np.zeros(count) for name in CHANNELS}
        self.bench.run({**values, **{k: np.full(count, v) for k, v in offsets.items()}})

    def raw(self, data: bytes, timeout_s: float = 20.0, small: bool = False) -> socket.socket:
        """A connection on which ``data`` was sent; ``small``: with a small receive buffer."""
        peer = socket.socket()
        if small:
            peer.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        peer.settimeout(timeout_s)
        peer.connect(("127.0.0.1", self.port))
        peer.sendall(data)
        return peer

    def stream(self, **more: Any) -> socket.socket:
        """A connection that reads the stream; its first state has come."""
        request = b"GET /api/v1/stream HTTP/1.1\r\nHost: localhost\r\n\r\n"
        peer = self.raw(request, **more)
        found = b""
        while b"event: state" not in found:
            part = peer.recv(1024)
            assert part, found
            found += part
        return peer
