"""No fault of a peer leaves a thread, or a descriptor, behind once its reader is stopped."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import pytest

from labref.drivers.base import InstrumentSetup
from labref.model.channel import Channel
from labref.model.times import RealClock
from labref.session.readers import make_reader
from labref.transport.loop import SelectorLoop
from labref.transport.wires import Wires


def hangs(connection: socket.socket) -> None:
    """Takes everything, answers nothing."""


def closes(connection: socket.socket) -> None:
    connection.close()


def babbles(connection: socket.socket) -> None:
    connection.sendall(b"x" * 50_000)


def half_answers(connection: socket.socket) -> None:
    connection.recv(100)
    connection.sendall(b"INVENTED LAB,HA")


PEERS = [hangs, closes, babbles, half_answers, None]


@pytest.mark.parametrize("threads", [True, False])
@pytest.mark.parametrize("peer", PEERS, ids=lambda peer: getattr(peer, "__name__", "refuses"))
def test_no_thread_is_left(peer: Callable[[socket.socket], None] | None, threads: bool) -> None:
    count, descriptors = threading.active_count(), len(list(Path("/proc/self/fd").iterdir()))
    listener = socket.create_server(("127.0.0.1", 0))
    listener.settimeout(5.0)
    address = f"TCPIP::127.0.0.1::{listener.getsockname()[1]}::SOCKET"
    if peer is None:
        listener.close()
    clock = RealClock()
    loop = None if threads else SelectorLoop(clock)
    inputs = (("1", Channel("x", Fraction(0))),)
    setup = InstrumentSetup("i", address, "scpi-counter", inputs, {}, 0.1)
    reader = make_reader(setup, clock, Wires(), loop=loop)
    reader.start()
    if peer is not None:
        connection, _ = listener.accept()
        peer(connection)
    end_s = time.monotonic() + 5
    while not (faults := reader.faults()) and time.monotonic() < end_s:
        clock.wait(0.01)
    reader.stop()
    if peer is not None:
        connection.close()
        listener.close()
    assert {fault.kind for fault in faults} & {"link", "reply"}, "the fault was not noticed"
    assert threading.active_count() == count
    assert len(list(Path("/proc/self/fd").iterdir())) == descriptors
