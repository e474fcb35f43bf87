"""Our driver against a server that no one here wrote: sinstruments, over TCP and a paced pty."""

from __future__ import annotations

import contextlib
import os
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path

import pytest

from labref.drivers.base import InstrumentSetup
from labref.drivers.instrument import Instrument
from labref.drivers.programs import program_of
from labref.model.channel import Channel
from labref.model.errors import LinkError
from labref.model.flags import Flag
from labref.model.times import RealClock
from labref.transport.blocking import Transport
from labref.transport.wires import Wires

CONFIG = """\
devices:
  - class: Voltmeter
    name: meter
    package: other_server
    transports:
      - type: tcp
        url: 127.0.0.1:{port}
      - type: serial
        url: {pty}
        baudrate: 9600
"""


@pytest.fixture
def addresses(tmp_path: Path, need_package: Callable[[str], None]) -> Iterator[dict[str, str]]:
    need_package("sinstruments")
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    pty = tmp_path / "pty"
    config = tmp_path / "server.yml"
    config.write_text(CONFIG.format(port=port, pty=pty))
    server = subprocess.Popen(
        [sys.executable, "-m", "sinstruments", "-c", str(config)],
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parent)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )
    try:
        yield {"tcp": f"TCPIP::127.0.0.1::{port}::SOCKET", "serial": f"ASRL{pty}::INSTR"}
    finally:
        server.kill()
        server.communicate()


def opened(address: str) -> Instrument:
    """The instrument, once the other process has come up."""
    inputs = tuple((name, Channel(f"v{name}", Fraction(0), "V")) for name in ("1", "2", "3"))
    options = {"identity": "INVENTED LAB,VOLTMETER"}
    setup = InstrumentSetup("meter", address, "scpi-voltmeter", inputs, options)
    clock = RealClock()
    end_s = time.monotonic() + 30
    while True:
        wire = Wires().make(address, {}, 2.0)
        instrument = Instrument(setup, program_of(setup, clock), Transport(wire, clock))
        try:
            instrument.open()
            return instrument
        except LinkError:
            instrument.close()
            if time.monotonic() > end_s:
                raise
            clock.wait(0.1)


@pytest.mark.parametrize("link", ["tcp", "serial"])
def test_a_voltmeter_of_another_server_is_read(addresses: dict[str, str], link: str) -> None:
    with contextlib.closing(opened(addresses[link])) as instrument:
        assert instrument.identity is not None
        assert instrument.identity.serial == "7"
        first, second, third = instrument.fetch()
        assert (first.channel, float(first.offset[0])) == ("v1", 1.25)
        assert second.flags[0] & int(Flag.GAP), "9.91E37 is no voltage"
        assert (third.channel, float(third.offset[0])) == ("v3", 0.0)
