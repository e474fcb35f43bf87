"""``labref record-transcript``: what it records is a test that passes."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest
from click.testing import CliRunner

from labref.cli.record_transcript import command
from labref.drivers.capture import replay
from labref.model.errors import InputError


class Peer:
    """A synthesizer on loopback TCP."""

    def __init__(self) -> None:
        self.identity = "INVENTED LAB,SYNTH,4,2.0"
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.address = f"TCPIP::127.0.0.1::{self.listener.getsockname()[1]}::SOCKET"
        self.heard = b""
        threading.Thread(target=self.run, daemon=True).start()

    def run(self) -> None:
        with suppress(OSError):
            while True:
                connection, _ = self.listener.accept()
                with connection, suppress(OSError):
                    self.serve(connection)

    def serve(self, connection: socket.socket) -> None:
        while data := connection.recv(4096):
            self.heard += data
            for line in data.decode().splitlines():
                replies = [self.reply(unit) for unit in line.split(";")]
                connection.sendall((";".join(replies) + "\n").encode())

    def reply(self, unit: str) -> str:
        return {
            "*IDN?": self.identity,
            ":SYST:ERR?": '0,"No error"',
            ":SOUR1:FREQ?": "80000000.25",
            ":SOUR2:POW?": "-3.5",
            ":SOUR:ROSC:SOUR?": "EXT",
        }.get(unit, "")


@pytest.fixture
def peer() -> Iterator[Peer]:
    made = Peer()
    yield made
    made.listener.close()


def invoke(peer: Peer, *more: str):  # type: ignore[no-untyped-def]
    arguments = [peer.address, "--dialect", "scpi-synthesizer", "--gate", "0.05", *more]
    return CliRunner().invoke(command, arguments, catch_exceptions=False)


INPUTS = ("--input", "frequency.1=80000000", "--input", "level.2=0:dBm")


def test_a_recorded_exchange_plays_back_and_gives_the_same(peer: Peer, tmp_path: Path) -> None:
    path = tmp_path / "synth.txt"
    done = invoke(peer, *INPUTS, "--rounds", "3", "--output", str(path))
    assert done.exit_code == 0, done.output
    case, outcome, used = replay(path.read_text("ascii"))
    assert used
    assert outcome.offsets() == case.expect
    assert case.expect == {"frequency.1": [0.25] * 3, "level.2": [-3.5] * 3}
    assert "identity: INVENTED LAB,SYNTH,4,2.0" in done.output
    assert "frequency.1: 3 of 3 gates usable" in done.output


def test_a_source_is_only_asked(peer: Peer, tmp_path: Path) -> None:
    invoke(peer, *INPUTS, "--output", str(tmp_path / "x.txt"))
    for line in peer.heard.decode().splitlines():
        assert all(unit.endswith("?") for unit in line.split(";"))


def test_options_are_kept_in_the_record(peer: Peer, tmp_path: Path) -> None:
    path = tmp_path / "synth.txt"
    done = invoke(peer, *INPUTS, "--option", "reference_source=INT", "--output", str(path))
    assert "reference is EXT, expected INT" in done.output
    assert '"reference_source" = "INT"' in path.read_text("ascii")
    case, outcome, _ = replay(path.read_text("ascii"))
    assert outcome.offsets() == case.expect == {"frequency.1": [None] * 3, "level.2": [None] * 3}


def test_an_instrument_that_fails_ends_with_1(peer: Peer) -> None:
    peer.identity = ""
    done = invoke(peer, *INPUTS)
    assert done.exit_code == 1
    assert "does not identify" in done.output


def test_a_closed_port_ends_with_1() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        address = f"TCPIP::127.0.0.1::{listener.getsockname()[1]}::SOCKET"
    done = CliRunner().invoke(command, [address, "--dialect", "scpi-synthesizer"])
    assert done.exit_code == 1
    assert "refused" in done.output


@pytest.mark.parametrize(
    ("more", "text"),
    [
        (("--input", "phase=1"), "no input 'phase'"),
        (("--option", "x"), "write KEY=VALUE"),
        (("--input", "frequency.1=1e"), "not a decimal number"),
    ],
)
def test_mistakes_are_named(peer: Peer, more: tuple[str, ...], text: str) -> None:
    with pytest.raises(InputError, match=text):
        invoke(peer, *more)
