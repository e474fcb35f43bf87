"""Three hosts on one kernel: network namespaces with veth pairs, the broker's in the middle.

comb host 10.77.1.2 ── veth ── 10.77.1.1  broker  10.77.2.1 ── veth ── 10.77.2.2 laser table
"""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

BROKER, COMB, TABLE = "lbbroker", "lbcomb", "lbtable"
ADDRESS = {COMB: "10.77.1", TABLE: "10.77.2"}


class NotPermittedError(Exception):
    """This machine lets nobody make namespaces here."""


def run(*words: str) -> None:
    """Run one command of iproute2."""
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    if done.returncode:
        raise NotPermittedError(f"{' '.join(words)}: {done.stderr.strip()}")


class Hosts:
    """Makes the namespaces and removes them; a context manager."""

    def __init__(self) -> None:
        number = os.getpid()
        self.names = {name: f"{name}{number}" for name in (BROKER, COMB, TABLE)}

    def __enter__(self) -> Hosts:
        try:
            self._make()
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        for name in self.names.values():
            subprocess.run(["ip", "netns", "del", name], capture_output=True, check=False)

    def _make(self) -> None:
        for name in self.names.values():
            run("ip", "netns", "add", name)
            run("ip", "-n", name, "link", "set", "lo", "up")
        for host, net in ADDRESS.items():
            near, far = self.names[BROKER], self.names[host]
            run("ip", "-n", near, "link", "add", host, "type", "veth", "peer", "eth0", "netns", far)
            run("ip", "-n", near, "address", "add", f"{net}.1/24", "dev", host)
            run("ip", "-n", far, "address", "add", f"{net}.2/24", "dev", "eth0")
            run("ip", "-n", near, "link", "set", host, "up")
            run("ip", "-n", far, "link", "set", "eth0", "up")

    def inside(self, host: str, *words: str) -> list[str]:
        """The command line that runs ``words`` on a host."""
        return ["ip", "netns", "exec", self.names[host], *words]

    def link(self, host: str, state: str) -> None:
        """Pull a host's cable ("down") or plug it in again ("up"), at the broker's end."""
        run("ip", "-n", self.names[BROKER], "link", "set", host, state)


def configuration(folder: Path) -> str:
    """A broker that listens everywhere: in its namespace that is these two cables."""
    return (
        f"listener 18830 0.0.0.0\nallow_anonymous true\npersistence_location {folder}/\nuser root\n"
    )
