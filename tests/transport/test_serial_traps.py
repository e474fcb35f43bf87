"""Serial wires on ptys: the same promises as on sockets."""

from __future__ import annotations

import os
import time
import tty
from collections.abc import Iterator
from contextlib import suppress

import pytest

from labref.model.errors import LinkError
from labref.transport.blocking import Transport
from labref.transport.serial import SerialWire

pytestmark = pytest.mark.skipif(os.name != "posix", reason="ptys need a POSIX system")


class Pty:
    """The instrument's end of a serial line."""

    def __init__(self) -> None:
        self.master, slave = os.openpty()
        tty.setraw(self.master)
        tty.setraw(slave)
        self.address = f"ASRL{os.ttyname(slave)}::INSTR"
        self.slave = slave
        self.transport = Transport(SerialWire(self.address, {"baud": 115200}), timeout_s=0.2)
        self.transport.open()

    def close(self) -> None:
        for descriptor in (self.master, self.slave):
            with suppress(OSError):
                os.close(descriptor)


@pytest.fixture
def pty() -> Iterator[Pty]:
    made = Pty()
    yield made
    made.transport.close()
    made.close()


def test_a_line_comes_in_one_read(pty: Pty) -> None:
    os.write(pty.master, b"x" * 1000 + b"\n")
    assert pty.transport.read_until() == b"x" * 1000


def test_a_query_is_answered(pty: Pty) -> None:
    pty.transport.write("FREQ?")
    assert os.read(pty.master, 100) == b"FREQ?\n"
    os.write(pty.master, b"1.5\r\n")
    assert pty.transport.read_until(b"\r\n") == b"1.5"


def test_a_port_that_vanishes_is_reported_at_once_and_without_processor_time(pty: Pty) -> None:
    os.close(pty.slave)
    os.close(pty.master)
    start, cpu = time.perf_counter(), time.process_time()
    with pytest.raises(LinkError, match="the port is gone"):
        pty.transport.read_until(timeout_s=5.0)
    assert time.perf_counter() - start < 4.0
    assert time.process_time() - cpu < 0.02


def test_silence_ends_at_the_timeout_without_processor_time(pty: Pty) -> None:
    start, cpu = time.perf_counter(), time.process_time()
    with pytest.raises(LinkError, match="no complete reply"):
        pty.transport.read_until()
    assert 0.19 < time.perf_counter() - start < 5.0
    assert time.process_time() - cpu < 0.05


def test_a_write_to_a_full_line_ends_at_the_timeout_without_processor_time(pty: Pty) -> None:
    start, cpu = time.perf_counter(), time.process_time()
    with pytest.raises(LinkError, match="took only part"):
        pty.transport.write(b"y" * 1_000_000)
    assert 0.19 < time.perf_counter() - start < 5.0
    assert time.process_time() - cpu < 0.1


def test_a_second_reader_of_the_same_port_is_refused(pty: Pty) -> None:
    second = Transport(SerialWire(pty.address))
    with pytest.raises(LinkError, match="cannot open"):
        second.open()


@pytest.mark.parametrize("options", [{"baud": "fast"}, {"parity": "Q"}])
def test_wrong_options_are_a_link_error(options: dict[str, object]) -> None:
    made = Pty()
    made.transport.close()
    try:
        with pytest.raises(LinkError, match="cannot open"):
            Transport(SerialWire(made.address, options)).open()
    finally:
        made.close()


def test_a_port_that_does_not_exist() -> None:
    with pytest.raises(LinkError, match="cannot open"):
        Transport(SerialWire("ASRL/dev/no_such_port::INSTR")).open()
