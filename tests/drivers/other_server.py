"""A voltmeter for ``sinstruments-server``: what our driver talks to was not written by us.

Only what it answers is ours; sockets, framing and the process are the package's. It is GPL, so it
runs as a process of its own.
"""

from __future__ import annotations

from sinstruments.simulator import BaseDevice


class Voltmeter(BaseDevice):
    """Answers compound queries: identity, error queue, two inputs."""

    def handle_message(self, message: bytes) -> bytes | None:
        """One line in, one line out; a unit that is no query has no answer."""
        units = [unit.strip().lstrip(b":") for unit in message.strip().split(b";")]
        answers = [self._answer(unit) for unit in units if unit.endswith(b"?") or b"? " in unit]
        return b";".join(answers) + b"\n" if answers else None

    def _answer(self, unit: bytes) -> bytes:
        if unit == b"*IDN?":
            return b"INVENTED LAB,VOLTMETER,7,1.0"
        if unit.startswith(b"SYST:ERR"):
            return b'0,"No error"'
        values = {b"1": b"+1.2500000E+00", b"2": b"9.91E37"}
        inputs = unit.partition(b"(@")[2].rstrip(b")").split(b",")
        return b",".join(values.get(name, b"0.0") for name in inputs)
