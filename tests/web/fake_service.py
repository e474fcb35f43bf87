"""A stand-in for the service: serves the page and states by script, so that a test says what
happens when. It speaks the same contract as the real one; every number is invented.

``FakeService`` serves a `fake_lab.FakeLab` until `kill`; `freeze` leaves connections open and says
nothing more, as a computer does whose process hangs.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from socket import SHUT_RDWR
from urllib.parse import parse_qs, urlsplit

from fake_lab import FakeLab

PAGE = Path(__file__).parents[2] / "plugins" / "labref_web" / "page"
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; font-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
KINDS = {
    ".html": "text/html",
    ".css": "text/css",
    ".js": "text/javascript",
    ".svg": "image/svg+xml",
}


class FakeService:
    """Serves a `FakeLab` on a loopback port: the one given, or any that is free."""

    def __init__(self, lab: FakeLab, port: int = 0, stepping: bool = True) -> None:
        self.lab = lab
        self.acknowledged: list[tuple[str, str]] = []
        self.asked: list[str] = []
        self.resumed: list[str | None] = []
        self.token: str | None = None
        self.site: Callable[[], object] = dict
        self.frozen = threading.Event()
        self.ended = threading.Event()
        self.news = threading.Condition()
        self.events: list[tuple[str, dict]] = []
        self.newest = lab.step()
        self.connections: set = set()
        service = self

        class Handler(_Handler):
            serves = service

        self.server = _Server(("127.0.0.1", port), Handler)
        self.port = int(self.server.server_address[1])
        self.address = f"http://127.0.0.1:{self.port}/"
        threading.Thread(target=self.server.serve_forever, args=(0.05,), daemon=True).start()
        if stepping:
            threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        while not self.ended.wait(self.lab.gate_s):
            self.tick()

    def tick(self) -> None:
        """One gate, told to every reader."""
        self.newest = self.lab.step()
        with self.news:
            self.news.notify_all()

    def tell(self, kind: str, value: dict) -> None:
        """Send an event that is no state."""
        with self.news:
            self.events.append((kind, value))
            self.news.notify_all()

    def freeze(self) -> None:
        """Say nothing more, and leave every connection open."""
        self.frozen.set()

    def kill(self) -> None:
        """End at once, connections and all."""
        self.ended.set()
        self.server.shutdown()
        self.server.server_close()
        for connection in list(self.connections):
            try:
                connection.shutdown(SHUT_RDWR)
                connection.close()
            except OSError:
                continue
        with self.news:
            self.news.notify_all()


class _Server(ThreadingHTTPServer):
    allow_reuse_address = True
    daemon_threads = True

    def handle_error(self, request: object, client_address: object) -> None:
        """A browser that goes away is no news."""


class _Handler(BaseHTTPRequestHandler):
    serves: FakeService
    protocol_version = "HTTP/1.1"

    def setup(self) -> None:
        super().setup()
        self.serves.connections.add(self.connection)

    def log_message(self, *args: object) -> None:
        """Tests read what was asked, not a log."""

    def do_GET(self) -> None:
        self._answer(b"")

    def do_POST(self) -> None:
        self._answer(self.rfile.read(int(self.headers["content-length"])))

    def _answer(self, body: bytes) -> None:
        serves, url = self.serves, urlsplit(self.path)
        if serves.frozen.is_set():
            serves.ended.wait()
            return
        serves.asked.append(self.path)
        try:
            if not url.path.startswith("/api/"):
                self._file(url.path)
            elif serves.token and self.headers["authorization"] != f"Bearer {serves.token}":
                self._json({"error": "a token is needed", "status": 401}, 401)
            elif url.path == "/api/v1/stream":
                self._stream()
            else:
                self._api(url.path.removeprefix("/api/v1/").split("/"), parse_qs(url.query), body)
        except OSError:
            return

    def _file(self, path: str) -> None:
        starts = {"/": "index.html", "/site": "site.html"}
        name = starts.get(path) or path.removeprefix("/page/")
        file = (PAGE / name).resolve()
        if not file.is_relative_to(PAGE) or not file.is_file():
            self._json({"error": "no such file", "status": 404}, 404)
            return
        self._send(file.read_bytes(), KINDS.get(file.suffix, "text/plain"))

    def _api(self, parts: list[str], query: dict[str, list[str]], body: bytes) -> None:
        serves, lab = self.serves, self.serves.lab
        numbers = {key: int(value[0]) for key, value in query.items()}
        start, stop = numbers.get("start_ns", 0), numbers.get("stop_ns", 0)
        match parts:
            case ["state"]:
                self._json(serves.newest)
            case ["site"]:
                self._json(serves.site())
            case ["notes"]:
                self._json({"notes": []})
            case ["shots"]:
                self._json({"shots": lab.shots})
            case ["alarms", number, "acknowledge"]:
                by = json.loads(body)["by"]
                serves.acknowledged.append((number, by))
                for alarm in lab.alarms:
                    alarm["acknowledged_by"] = by if str(alarm["id"]) == number else None
                self._json({"ok": True})
            case ["transitions", name, "history"]:
                self._json(lab.history(name, start, stop, numbers["points"]))
            case ["transitions", name, "strip"]:
                self._json(lab.strip(name, start, stop, numbers["cells"]))
            case ["transitions", name, "deviation"]:
                self._json(lab.deviation(name))
            case ["transitions", _, "was-good"]:
                self._json({"state": "unknown", "reason": "not all of the window is recorded"})
            case ["transitions", _, "frequency"]:
                self._json({"nominal_hz": "411042129776400.4", "offset_hz": -181.2, "u_hz": 21.0})
            case _:
                self._json({"error": "no such answer", "status": 404}, 404)

    def _stream(self) -> None:
        serves = self.serves
        serves.resumed.append(self.headers["last-event-id"])
        self.send_response(200)
        self.send_header("content-type", "text/event-stream")
        self.send_header("connection", "close")
        self.end_headers()
        told, state = len(serves.events), None
        while not serves.ended.is_set() and not serves.frozen.is_set():
            with serves.news:
                events, told = serves.events[told:], len(serves.events)
            for kind, value in events:
                self._event(kind, value)
            if serves.newest is not state:
                state = serves.newest
                self._event("state", state)
            with serves.news:
                if serves.newest is state and told == len(serves.events):
                    serves.news.wait(1.0)
            self.wfile.write(b": alive\n\n")
        if serves.frozen.is_set():
            serves.ended.wait()
        self.close_connection = True

    def _event(self, kind: str, value: dict) -> None:
        number = self.serves.newest["sequence"]
        text = f"id: {number}\nevent: {kind}\ndata: {json.dumps(value)}\n\n"
        self.wfile.write(text.encode())

    def _json(self, value: object, status: int = 200) -> None:
        self._send(json.dumps(value).encode(), "application/json", status)

    def _send(self, body: bytes, kind: str, status: int = 200) -> None:
        self.send_response(status)
        self.send_header("content-type", kind)
        self.send_header("content-length", str(len(body)))
        self.send_header("content-security-policy", POLICY)
        self.end_headers()
        self.wfile.write(body)
