"""A broker on loopback: Debian's mosquitto, started and really killed."""

from __future__ import annotations

import signal
import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest


class Broker:
    """One mosquitto on 127.0.0.1, with a port that it keeps over a restart."""

    def __init__(self, folder: Path, program: str) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self._config = folder / "broker.conf"
        self._config.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n"
            f"persistence true\npersistence_location {folder}/\nautosave_interval 1\n"
            "user root\n"
        )
        self._program = program
        self._process: subprocess.Popen[str] | None = None

    def address(self, topic: str = "labref/site/comb_host") -> str:
        return f"mqtt://127.0.0.1:{self.port}/{topic}"

    def configure(self, text: str) -> None:
        """Another configuration for the next start."""
        self._config.write_text(text)

    def has_saved(self) -> bool:
        """Whether it has written down since when it was started who had subscribed."""
        database = self._config.with_name("mosquitto.db")
        return database.exists() and b"comb_host/channel/#" in database.read_bytes()

    def start(self) -> None:
        self._process = subprocess.Popen(
            [self._program, "-c", str(self._config), "-v"],
            stderr=subprocess.PIPE,
            text=True,
        )
        assert self._process.stderr is not None
        for line in self._process.stderr:
            if "running" in line:
                break
        else:
            raise RuntimeError("mosquitto does not start")
        # Nobody reads on: a full pipe must not stop it.
        import threading

        stream: Any = self._process.stderr
        threading.Thread(target=lambda: [None for _ in stream], daemon=True).start()

    def kill(self) -> None:
        if self._process is not None:
            self._process.send_signal(signal.SIGKILL)
            self._process.wait()
            self._process = None


@pytest.fixture
def broker(tmp_path: Path, need_program: Any) -> Iterator[Broker]:
    """A running broker."""
    pytest.importorskip("paho.mqtt.client")
    made = Broker(tmp_path, need_program("mosquitto"))
    made.start()
    yield made
    made.kill()
