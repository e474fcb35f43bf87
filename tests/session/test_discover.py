"""Named addresses are identified with read-only questions; nothing is configured or scanned."""

from __future__ import annotations

import json
from typing import cast

from click.testing import CliRunner

from labref.cli.discover import command
from labref.cli.simulation import Simulation
from labref.drivers.catalogue import Catalogue
from labref.session.discover import _heard, _read_only
from labref.transport.blocking import Transport
from labref.transport.steps import SilenceError


def test_simulated_instruments_get_their_dialects() -> None:
    with Simulation(["--scenario", "ca_ion_lab", "--no-faults", "--seconds", "60"]) as simulation:
        wanted = {
            "counter_a": "scpi-counter",
            "synth_a": "scpi-synthesizer",
            "gnss": "nmea-receiver",
        }
        addresses = [simulation.addresses[name] for name in wanted]
        run = CliRunner().invoke(command, [*addresses, "--json"])
    assert run.exit_code == 0, run.output
    for answer, dialect in zip(json.loads(run.output), wanted.values(), strict=True):
        assert dialect in answer["dialects"][:4], answer


def test_a_closed_port_is_a_problem_and_no_crash() -> None:
    run = CliRunner().invoke(command, ["TCPIP0::127.0.0.1::9::SOCKET"])
    assert run.exit_code == 1
    assert "127.0.0.1" in run.output


def test_only_questions_are_asked() -> None:
    for dialect in Catalogue().all():
        for query in _read_only(dialect):
            assert "?" in query
            assert not query.upper().startswith(("*RST", "*CLS", ":INIT", "READ"))


class _Talker:
    """A transport on which somebody talks unasked."""

    def __init__(self, *lines: bytes) -> None:
        self.lines = list(lines)

    def read_until(self, terminator: bytes, seconds: float) -> bytes:
        if not self.lines:
            raise SilenceError("silence")
        return self.lines.pop(0) + terminator


def test_who_was_in_the_middle_of_a_sentence_is_heard_to_its_next() -> None:
    broken = _Talker(b"GPZDA,155439.00,25,11,2026,00,00*68", b"$GPRMC,155440.00,A*00")
    answer = _heard("COM1", cast("Transport", broken))
    assert answer is not None
    assert answer.dialects == ("nmea-receiver",)
    assert _heard("COM1", cast("Transport", _Talker())) is None
    assert _heard("COM1", cast("Transport", _Talker(b"what", b"ever", b"$GPRMC"))) is None
