"""Malformed requests, byte by byte, to a real socket: no server error, and it goes on answering.

Half of them are noise, half are real requests with something broken: that reaches farther.
"""

from __future__ import annotations

import logging
import random
import socket
from typing import Any

import pytest

from labref_web.client import Client

PATHS = [
    "/",
    "/page/index.html",
    "/page/vendor",
    "/metrics",
    "/openapi.json",
    "/api/v1/state",
    "/api/v1/shots",
    "/api/v1/alarms",
    "/api/v1/trace",
    "/api/v1/trace/x.h5",
    "/api/v1/alarms/1/acknowledge",
    "/api/v1/readings",
    "/api/v1/act/ask",
    "/api/v1/act/disarm",
    "/api/v1/transitions/clock729/frequency",
    "/api/v1/transitions/clock729/was-good",
    "/api/v1/transitions/clock729/history",
    "/api/v1/transitions/clock729/strip",
    "/api/v1/transitions/clock729/deviation",
    "/api/v1/transitions/nobody/deviation",
]
QUERIES = [
    "",
    "",
    "",
    "",
    "",
    "?start_ns=1&stop_ns=2",
    "?start_ns=2&stop_ns=1",
    "?start_ns=x",
    "?%",
    "?=&=",
    "?a",
]
BODIES = [b"", b"{}", b"[]", b"null", b'{"by":"x"}', b'{"by":1}', b"{", b"\xff\xfe", b"[" * 500]
BODIES += [b'{"channel":"field","start_ns":1,"stop_ns":2,"offset_hz":1e400}', b'"' * 99]
METHODS = [
    "GET",
    "GET",
    "GET",
    "POST",
    "POST",
    "POST",
    "HEAD",
    "PUT",
    "DELETE",
    "OPTIONS",
    "TRACE",
    "BREW",
    "",
]
HEADERS = [
    b"Host: localhost",
    b"Host: elsewhere.example",
    b"Content-Type: application/json",
    b"Content-Type: text/plain",
    b"Transfer-Encoding: chunked",
    b"Transfer-Encoding: nonsense",
    b"Content-Length: 5",
    b"Content-Length: -1",
    b"Authorization: Bearer x",
    b"Authorization: Basic \xff\xff",
    b"Last-Event-ID: 7",
    b"Range: bytes=5-1,x",
    b"If-None-Match: *",
    b"Expect: 100-continue",
    b"Upgrade: websocket",
    b"Connection: upgrade",
    b"Origin: null",
    b"Cookie: \x01",
    b": nameless",
]


def request(chance: random.Random) -> bytes:
    """One request with something broken in it."""
    if chance.random() < 0.25:
        return chance.randbytes(chance.randrange(1, 300)) + b"\r\n\r\n"
    path = chance.choice(PATHS) + chance.choice(QUERIES)
    body = chance.choice(BODIES)
    lines = [f"{chance.choice(METHODS)} {path} HTTP/1.{chance.choice('0119')}".encode()]
    if chance.random() < 0.8:
        lines.append(b"Host: localhost")
    if chance.random() < 0.6:
        lines += [b"Content-Type: application/json", b"Content-Length: %d" % len(body)]
    lines += chance.sample(HEADERS, chance.randrange(4))
    data = bytearray(b"\r\n".join(lines) + b"\r\n\r\n" + body)
    for _ in range(chance.choice([0, 0, 1, 1, 3, 10])):
        where = chance.randrange(len(data))
        if chance.random() < 0.5:
            data[where] = chance.randrange(256)
        else:
            del data[where]
            if not data:
                break
    return bytes(data)


def send(served: Any, data: bytes) -> bytes:
    """Send, say that nothing more comes, and take what is answered."""
    found = b""
    with socket.create_connection(("127.0.0.1", served.port), timeout=20) as peer:
        try:
            peer.sendall(data)
            peer.shutdown(socket.SHUT_WR)
            while part := peer.recv(65_536):
                found += part
        except (ConnectionResetError, BrokenPipeError):
            pass
    return found


def bombard(served: Any, count: int, seed: int) -> dict[int, int]:
    """Statuses of the first answer to each of so many requests; 0: the connection was closed."""
    chance, statuses = random.Random(seed), {}
    for _ in range(count):
        data = request(chance)
        answer = send(served, data)
        status = int(answer[9:12]) if answer.startswith(b"HTTP/1.") else 0
        assert status < 500, (data, answer)
        assert status or not answer, (data, answer)
        statuses[status] = statuses.get(status, 0) + 1
    return statuses


def harmless(wb: Any, count: int, seed: int, caplog: Any) -> dict[int, int]:
    with caplog.at_level(logging.ERROR), wb.Served() as served:
        served.gates(5)
        statuses = bombard(served, count, seed)
        assert Client(served.url, timeout_s=20).is_good("clock729") is True
        assert len(served.service._connections) < 20
    assert not [r for r in caplog.records if r.name == "labref.web"]
    return statuses


def test_malformed_requests_give_no_server_error(wb: Any, caplog: pytest.LogCaptureFixture) -> None:
    statuses = harmless(wb, 1000, 20261125, caplog)
    assert {200, 400, 404, 405, 415} <= set(statuses), "they reach beyond the first gate"


@pytest.mark.long
def test_a_hundred_thousand_malformed_requests(wb: Any, caplog: pytest.LogCaptureFixture) -> None:
    print(harmless(wb, 100_000, 729, caplog))  # noqa: T201
