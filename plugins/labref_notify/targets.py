"""Ways to reach somebody. Each sends one bundle or raises; none is called by the pass."""

from __future__ import annotations

import importlib
import json
import subprocess
import urllib.request
from collections.abc import Callable
from pathlib import Path

from labref_notify.message import Bundle
from labref_notify.table import NotifyTable

Send = Callable[[Bundle], None]


def target_of(table: NotifyTable) -> Send:
    """The way that the table names."""
    timeout_s = float(table.timeout_s)
    if table.log is not None:
        return _to_log(Path(table.log))
    if table.command is not None:
        return _to_command(table.command, timeout_s)
    if table.webhook is not None:
        return _to_webhook(table.webhook, timeout_s)
    return _by_apprise(table.apprise or "")


def _to_log(path: Path) -> Send:
    def send(bundle: Bundle) -> None:
        with path.open("a", encoding="utf-8") as file:
            file.write(bundle.body + "\n")

    return send


def _to_command(command: list[str], timeout_s: float) -> Send:
    def send(bundle: Bundle) -> None:
        text = f"{bundle.title}\n{bundle.body}\n"
        # A list, no shell: nothing in a message can become a command.
        subprocess.run(
            command, input=text.encode(), timeout=timeout_s, check=True, capture_output=True
        )

    return send


def _to_webhook(address: str, timeout_s: float) -> Send:
    def send(bundle: Bundle) -> None:
        data = json.dumps(bundle.values).encode()
        headers = {"Content-Type": "application/json"}
        request = urllib.request.Request(address, data, headers, method="POST")
        with urllib.request.urlopen(request, timeout=timeout_s) as reply:
            reply.read(65_536)

    return send


def _by_apprise(address: str) -> Send:
    def send(bundle: Bundle) -> None:
        # Optional: pip install 'labref[notify]'.
        apprise = importlib.import_module("apprise")
        notifier = apprise.Apprise()
        if not notifier.add(address):
            raise ValueError("apprise does not understand its address")
        if not notifier.notify(title=bundle.title, body=bundle.body):
            raise OSError("apprise could not deliver")

    return send
