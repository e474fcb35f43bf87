"""The table [web] of the lab file, and what it permits.

Tokens stand in files, never in the lab file: that is kept whole with every trace.
"""

from __future__ import annotations

import ipaddress
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from msgspec import field

from labref.config.fields import Table, needed
from labref.config.lab import Lab
from labref.model.errors import InputError
from labref_web.client import Client
from labref_web.heard import OWN
from labref_web.site import Asked

DEFAULT_AT = "127.0.0.1:8729"
SHORTEST_TOKEN = 16


class SessionTable(Table, frozen=True, kw_only=True):
    """``[web.sessions.NAME]``: another session, whose state is shown on the page of the site.

    ``url`` is its service's, such as http://192.0.2.7:8729; ``read_token_file`` holds the token
    that reads it, where it needs one.
    """

    url: Annotated[str, needed("the address of its service, such as http://192.0.2.7:8729")]
    read_token_file: str | None = None


class WebTable(Table, frozen=True, kw_only=True):
    """``[web]``: where the service listens, for whom, and whether it may act.

    ``at``: address and port; any address but this computer's own needs ``read_token_file``.
    ``hosts``: further names by which browsers reach it. ``act_token_file``: whoever holds that
    token may disarm, take hands-on and push readings; with ``acting = true`` also arm, where
    ``[actuation] remote_arming`` permits that too. Token files lie beside the lab file, hold one
    line of at least 16 characters, and are readable by their owner only. ``sessions``: others of
    the site, by name.
    """

    at: str = DEFAULT_AT
    hosts: list[str] = field(default_factory=list)
    read_token_file: str | None = None
    act_token_file: str | None = None
    acting: bool = False
    sessions: dict[str, SessionTable] = field(default_factory=dict)

    def check_lab(self, lab: Any) -> Iterator[tuple[tuple[str, ...], str]]:  # noqa: ARG002
        """Say what does not fit."""
        try:
            host, _ = parse_at(self.at)
        except InputError as error:
            yield ("at",), str(error)
            return
        if not is_loopback(host) and self.read_token_file is None:
            yield ("read_token_file",), "is missing: others can reach this address"
        for name, one in self.sessions.items():
            if name == OWN:
                yield ("sessions", name), f"is taken: {OWN!r} is this session; choose another name"
            try:
                Client(one.url)
            except InputError as error:
                yield ("sessions", name, "url"), str(error)
        if self.acting and self.act_token_file is None:
            yield ("act_token_file",), "is missing: acting needs a token of its own"


@dataclass(frozen=True, slots=True)
class Terms:
    """Where to listen and who may do what. Empty tokens: see `labref_web.guard`."""

    host: str
    port: int
    hosts: frozenset[str] = frozenset()
    read_token: str = ""
    act_token: str = ""
    acting: bool = False
    sessions: tuple[Asked, ...] = ()


def terms_of(lab: Lab, at: str | None) -> Terms:
    """The terms of ``[web]``, listening ``at`` if given. Raises InputError saying what to do."""
    table = lab.tables.get("web") or WebTable()
    host, port = parse_at(table.at if at is None else at)
    folder = Path(lab.file).parent
    read, act = (_token(folder, name) for name in (table.read_token_file, table.act_token_file))
    if not is_loopback(host) and not read:
        raise InputError(
            f"[web]: {host} can be reached by others: it needs read_token_file in the lab file"
        )
    if table.acting and not act:
        raise InputError("[web]: acting = true needs act_token_file")
    if read and read == act:
        raise InputError("[web]: reading and acting need two different tokens")
    names = frozenset(name.lower().rstrip(".") for name in table.hosts)
    sessions = tuple(
        Asked(name, one.url, _token(folder, one.read_token_file))
        for name, one in table.sessions.items()
    )
    return Terms(host, port, names, read, act, table.acting, sessions)


def parse_at(text: str) -> tuple[str, int]:
    """Split "127.0.0.1:8729" or "[::1]:8729"; port 0 is any free one. Raises InputError."""
    host, _, port = text.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    if not host or not port.isascii() or not port.isdigit() or int(port) > 65_535:
        raise InputError(f"{text!r} is not an address and a port such as {DEFAULT_AT}")
    return host, int(port)


def is_loopback(host: str) -> bool:
    """Whether only this computer can reach that address."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _token(folder: Path, name: str | None) -> str:
    if name is None:
        return ""
    path = folder / name
    try:
        mode = path.stat().st_mode
        token = path.read_text("ascii").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"[web]: token file {path}: {error}") from None
    if stat.S_IMODE(mode) & 0o077:
        raise InputError(f"[web]: token file {path} is open to others: chmod 600 {path}")
    if len(token) < SHORTEST_TOKEN or any(c.isspace() for c in token):
        raise InputError(f"[web]: {path}: one line of {SHORTEST_TOKEN} characters or more is meant")
    return token
