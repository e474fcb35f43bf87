"""Named addresses are identified with read-only questions; nothing is configured or scanned."""

from __future__ import annotations

import json

from click.testing import CliRunner

from labref.cli.discover import command
from labref.cli.simulation import Simulation
from labref.drivers.catalogue import Catalogue
from labref.session.discover import _read_only


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
