"""The table [notify.NAME] of the lab file: one way to reach somebody."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Literal
from urllib.parse import urlsplit

from msgspec import field

from labref.config.fields import Delay, Duration, PositiveInteger, Table, needed

About = Literal["alarms", "faults", "attempts"]
Priority = Literal["wake", "work hours", "log"]


class NotifyTable(Table, frozen=True, kw_only=True):
    """``[notify.NAME]``: exactly one of ``log``, ``command``, ``webhook``, ``apprise``.

    ``log`` is a file to append to; ``command`` a list (program and arguments; the message goes to
    its standard input, never through a shell); ``webhook`` an http(s) address that gets JSON;
    ``apprise`` an address of that library (extra ``notify``). ``priorities``: of which alarms.
    Messages of one cause within ``group_s`` go out as one; a target that fails is tried again up
    to ``tries`` times.
    """

    about: list[About] = field(default_factory=lambda: ["alarms", "faults", "attempts"])
    priorities: list[Priority] = field(default_factory=lambda: ["wake", "work hours"])
    log: str | None = None
    command: list[str] | None = None
    webhook: str | None = None
    apprise: str | None = None
    group_s: Delay = 5
    timeout_s: Duration = 10
    tries: PositiveInteger = 3
    waiting: Annotated[PositiveInteger, needed("how many messages may wait")] = 1000

    def check_lab(self, lab: Any) -> Iterator[tuple[tuple[str, ...], str]]:  # noqa: ARG002
        """Say what does not fit."""
        given = [k for k in ("log", "command", "webhook", "apprise") if getattr(self, k)]
        if len(given) != 1:
            yield (), f"one of log, command, webhook, apprise is meant, not {len(given)}"
        if self.webhook and urlsplit(self.webhook).scheme not in ("http", "https"):
            yield ("webhook",), "an address that begins with http:// or https:// is meant"
