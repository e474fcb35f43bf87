"""A simulated laboratory in a process of its own, reached by addresses only."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Mapping, Sequence
from types import TracebackType
from typing import Any, Self

from labref.model.errors import InputError

_LONGEST_END_S = 5.0


class Simulation:
    """`python -m sim_instruments` as a child: a context manager that ends it.

    ``announcement`` is the JSON line it printed; ``addresses`` map instruments to addresses.
    Raises InputError when it does not start.
    """

    def __init__(self, arguments: Sequence[str]) -> None:
        command = [sys.executable, "-m", "sim_instruments", *arguments]
        # Its standard input is our lifeline: when this process dies, the simulation ends.
        self._child = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )
        assert self._child.stdout is not None
        assert self._child.stderr is not None
        line = self._child.stdout.readline()
        if not line:
            raise InputError(f"simulation: {self._child.stderr.read().strip() or 'did not start'}")
        self.announcement: dict[str, Any] = json.loads(line)

    @property
    def addresses(self) -> Mapping[str, str]:
        """Address of every simulated instrument."""
        instruments = self.announcement["instruments"]
        return {name: str(told["address"]) for name, told in instruments.items()}

    @property
    def is_running(self) -> bool:
        """Whether the child is alive."""
        return self._child.poll() is None

    def turn(self, line: str) -> str:
        """Turn something at the simulated table by one line; what came of it, in one line."""
        assert self._child.stdin is not None
        assert self._child.stdout is not None
        try:
            self._child.stdin.write(line.rstrip("\n") + "\n")
            self._child.stdin.flush()
        except OSError as error:
            raise InputError(f"simulation: it has ended: {error}") from error
        return self._child.stdout.readline().rstrip("\n")

    def wait(self) -> int:
        """Wait for the child to end; its exit code."""
        return self._child.wait()

    def close(self) -> None:
        """End the child: close its lifeline, and kill it if that does not help."""
        if self._child.stdin is not None and not self._child.stdin.closed:
            self._child.stdin.close()
        try:
            self._child.wait(_LONGEST_END_S)
        except subprocess.TimeoutExpired:
            self._child.kill()
            self._child.wait()
        for stream in (self._child.stdout, self._child.stderr):
            if stream is not None:
                stream.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
