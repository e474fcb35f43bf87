"""A server that is lost, slow or broken reads as unknown, never as the last value."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labref.model.errors import InputError, LinkError, RefusedError
from labref.model.verdict import State
from labref_web.client import Client
from labref_web.table import Terms

CLOCK = "clock729"


@contextmanager
def answering(answer: bytes | None) -> Iterator[str]:
    """A server that answers every connection with these bytes (None: never), then closes."""
    listener = socket.create_server(("127.0.0.1", 0))
    kept: list[socket.socket] = []

    def serve() -> None:
        while True:
            try:
                peer, _ = listener.accept()
            except OSError:
                return
            kept.append(peer)
            if answer is not None:
                try:
                    peer.recv(65_536)
                    peer.sendall(answer)
                    peer.shutdown(socket.SHUT_RDWR)
                except OSError:
                    pass
                peer.close()

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{listener.getsockname()[1]}"
    finally:
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join(5.0)
        for peer in kept:
            peer.close()


def all_unknown(client: Client) -> bool:
    assert client.is_good(CLOCK) is None
    verdict = client.verdict(CLOCK)
    assert verdict.state is State.UNKNOWN
    assert verdict.reason.startswith("no service answers")
    assert client.was_good(CLOCK, 1, 2) is None
    assert client.frequency(CLOCK, 1, 2) is None
    assert client.wait_good(CLOCK, 0.0) is False
    return True


def test_a_server_that_ends_reads_as_unknown_and_as_good_when_it_is_back(wb: Any) -> None:
    with wb.Served() as served:
        client = Client(served.url, timeout_s=20.0)
        served.gates(3)
        assert client.is_good(CLOCK) is True
    assert all_unknown(client)
    with wb.Served(served.port) as again:
        again.gates(3)
        assert client.is_good(CLOCK) is True


def test_a_server_that_never_answers_reads_as_unknown_in_time() -> None:
    with answering(None) as url:
        assert all_unknown(Client(url, timeout_s=0.05))


GOOD = b'{"state":"good","now_ns":1,"reason":"","clears":""}'


@pytest.mark.parametrize(
    "answer",
    [
        b"",
        b"\x00\xff" * 100,
        b"HTTP/1.1 200 OK\r\n\r\n<html>",
        b"HTTP/1.1 200 OK\r\nContent-Length: 1000\r\n\r\n" + GOOD,  # cut off in the middle
        b"HTTP/1.1 500 No\r\nContent-Length: 51\r\n\r\n" + GOOD,
        b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\n[]",
        b'HTTP/1.1 200 OK\r\nContent-Length: 16\r\n\r\n{"state":"fine"}',
        b'HTTP/1.1 200 OK\r\nContent-Length: 13\r\n\r\n{"state":5.0}',
    ],
)
def test_a_broken_answer_reads_as_unknown(answer: bytes) -> None:
    with answering(answer) as url:
        assert all_unknown(Client(url, timeout_s=20.0))


@settings(max_examples=30)
@given(st.binary(max_size=60))
def test_whatever_a_server_says_nothing_unknown_becomes_good(body: bytes) -> None:
    head = b"HTTP/1.1 200 OK\r\nContent-Length: %d\r\n\r\n" % len(body)
    with answering(head + body) as url:
        assert Client(url, timeout_s=20.0).is_good(CLOCK) is None


def test_what_is_refused_is_an_error_not_an_unknown(wb: Any) -> None:
    terms = Terms("127.0.0.1", 0, frozenset(), wb.READ, wb.ACT)
    with wb.Served(terms=terms) as served:
        with pytest.raises(RefusedError, match="token is needed"):
            Client(served.url, timeout_s=20.0).is_good(CLOCK)
        client = Client(served.url, wb.READ, 20.0)
        assert client.is_good(CLOCK) is None
        with pytest.raises(RefusedError, match="acting token"):
            client.push("field", 1, 2, 0.0)
        with pytest.raises(InputError, match="later than start_ns"):
            client.was_good(CLOCK, 2, 1)


def test_pushing_to_nobody_is_an_error() -> None:
    with pytest.raises(LinkError):
        Client("http://127.0.0.1:1", timeout_s=0.5).push("field", 1, 2, 0.0)


@pytest.mark.parametrize("url", ["", "127.0.0.1:8729", "ftp://x", "http://", "http://x/y"])
def test_an_address_is_checked_at_once(url: str) -> None:
    with pytest.raises(InputError, match="is meant"):
        Client(url)
