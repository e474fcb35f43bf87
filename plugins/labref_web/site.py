"""Other sessions of the site, asked once a second: what each says, or that it says nothing.

Each is asked in a thread of its own, so that one that hangs delays nobody. What is not fresh is
unknown: a session that does not answer never leaves its last good on the wall.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass

from labref.model.errors import LabrefError
from labref_web import structs
from labref_web.client import Client
from labref_web.heard import Asking, Heard

EVERY_S = 1.0
TIMEOUT_S = 2.0
MOST_BYTES = 4 * 2**20  # several thousand transitions


@dataclass(frozen=True, slots=True)
class Asked:
    """Another session: its name here, its service's address, the token that reads it."""

    name: str
    url: str
    token: str = ""


class Neighbours:
    """Asks all other sessions until closed."""

    def __init__(self, sessions: tuple[Asked, ...]) -> None:
        self._heard = [Heard(one.name, one.url) for one in sessions]
        self._ending = threading.Event()
        for one, heard in zip(sessions, self._heard, strict=True):
            threading.Thread(
                target=self._ask, args=(one, heard), name=f"labref web {one.name}", daemon=True
            ).start()

    def close(self) -> None:
        """Ask no more."""
        self._ending.set()

    def views(self) -> list[structs.SiteSession]:
        """Every other session as it is known now."""
        now_s = time.monotonic()
        return [heard.view(now_s) for heard in self._heard]

    def _ask(self, one: Asked, heard: Heard) -> None:
        client = Client(one.url, one.token, TIMEOUT_S, MOST_BYTES)
        while not self._ending.is_set():
            asking = Asking(time.monotonic(), time.time_ns())
            try:
                heard.take(client.state(), asking, time.monotonic())
            except LabrefError as error:
                heard.fail(named(one.name, str(error)), time.time_ns())
            except Exception as error:  # noqa: BLE001 - one bad answer does not end the asking
                heard.fail(f"{one.name}: {error!r}", time.time_ns())
            self._ending.wait(max(0.1, EVERY_S - (time.monotonic() - asking.asked_s)))
        client.close()


def named(name: str, text: str) -> str:
    """A reason that names the session."""
    return text if text.startswith(name) else f"{name}: {text}"
