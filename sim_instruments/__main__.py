"""``python -m sim_instruments``: a laboratory on loopback until standard input closes.

Prints ONE JSON line: scenario, seed, start, and per instrument its address (VISA resource
name, or the device file of a serial line) and what its front panel shows. Each line on standard
input turns something at the table (`knobs`), and is answered by one line. Ends when standard
input closes, or on SIGTERM or SIGINT. Exit status 2 for a scenario that cannot be run.
"""

import argparse
import contextlib
import json
import os
import signal
import sys
from pathlib import Path

from sim_instruments.clock import RealClock
from sim_instruments.lab import Lab
from sim_instruments.scenario import ScenarioError, load, shipped
from sim_instruments.serve import Server
from sim_instruments.truth import TruthFile


def main(argv: list[str] | None = None) -> int:
    """Parse arguments, serve, return the exit status."""
    parser = argparse.ArgumentParser(prog="python -m sim_instruments", description=__doc__)
    parser.add_argument("--scenario", default="ca_ion_lab", help="shipped name or TOML file")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=60.0, help="faults scale to this")
    parser.add_argument("--truth", type=Path, help="write the truth there (JSON lines)")
    parser.add_argument("--links", type=Path, help="folder for lasting links to serial devices")
    parser.add_argument("--no-faults", action="store_true", help="empty the fault list")
    parser.add_argument("--list", action="store_true", help="name the shipped scenarios")
    parser.add_argument("--print-lab", action="store_true", help="print the lab's numbers")
    arguments = parser.parse_args(argv)
    if arguments.list:
        sys.stdout.write("\n".join(shipped()) + "\n")
        return 0
    try:
        clock = RealClock()
        start_ns = clock.now_ns() // 10**9 * 10**9
        lab = Lab(
            load(arguments.scenario),
            start_ns,
            arguments.seconds,
            arguments.seed,
            not arguments.no_faults,
        )
    except ScenarioError as error:
        sys.stderr.write(f"sim_instruments: {error}\n")
        return 2
    if arguments.print_lab:
        sys.stdout.write(json.dumps(lab.lab_numbers(), indent=2) + "\n")
        return 0
    with contextlib.ExitStack() as stack:
        truth = None
        if arguments.truth is not None:
            stream = stack.enter_context(arguments.truth.open("w", encoding="utf-8"))
            truth = TruthFile(lab, stream)
        try:
            server = Server(lab, clock, truth, arguments.links)
        except ScenarioError as error:
            sys.stderr.write(f"sim_instruments: {error}\n")
            return 2
        _serve(server)
    return 0


def _serve(server: Server) -> None:
    hub = server.hub
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: hub.stop())
    stdin = sys.stdin.fileno() if sys.stdin is not None and not sys.stdin.closed else None
    if stdin is not None:
        # A file or /dev/null cannot be waited for: only a pipe, socket or terminal can close.
        with contextlib.suppress(PermissionError):
            hub.watch_input(stdin, Typed(server, stdin).more)
    sys.stdout.write(json.dumps(server.announcement()) + "\n")
    sys.stdout.flush()
    hub.run()


class Typed:
    """Lines of standard input; its end is the end of the lab."""

    def __init__(self, server: Server, fd: int) -> None:
        self._server, self._fd = server, fd
        self._rest = b""

    def more(self) -> None:
        """Take in what has come, and answer every whole line."""
        try:
            data = os.read(self._fd, 4096)
        except OSError:
            data = b""
        if not data:
            self._server.hub.stop()
        *lines, self._rest = (self._rest + data).split(b"\n")
        for line in lines:
            sys.stdout.write(self._server.turn(line.decode("utf-8", "replace")) + "\n")
            sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
