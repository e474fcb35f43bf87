"""The gate before every request: host, origin, size, token, and headers on every answer.

The order matters: a name that is not ours is refused before anything is read (a page elsewhere
that has had its own name pointed at this computer, DNS rebinding, still sends its own name);
then writes that come from another page; then bodies that are too long.
"""

from __future__ import annotations

import hmac
import ipaddress
from enum import Enum
from urllib.parse import urlsplit

from labref_web.asgi import App, Message, Receive, Scope, Send, header, headers, refuse
from labref_web.table import Terms

LONGEST_BODY = 65_536
LONGEST_TARGET = 4096

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; font-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
SECURITY_HEADERS = [
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=()"),
]


class Permission(Enum):
    """What a request needs."""

    NONE = "none"  # the page's own files and the OpenAPI document: nothing of the lab is in them
    READ = "read"  # answers, and saying that an alarm was seen
    PUSH = "push"  # readings that may change a verdict
    HOLD = "hold"  # less movement: disarm, hands-on
    ACT = "act"  # arming


def refusal(permission: Permission, scope: Scope, terms: Terms) -> tuple[int, str] | None:
    """Why the request may not: (status, text); None if it may."""
    if permission is Permission.NONE:
        return None
    if permission is Permission.ACT and not terms.acting:
        return 403, "acting is off: [web] acting = true in the lab file switches it on"
    given = _bearer(scope)
    may_act = bool(terms.act_token) and hmac.compare_digest(given, terms.act_token.encode())
    if may_act:
        return None
    may_read = not terms.read_token or hmac.compare_digest(given, terms.read_token.encode())
    if permission is Permission.READ:
        return None if may_read else (401, "a token is needed: Authorization: Bearer TOKEN")
    is_open = not terms.read_token and not terms.act_token
    if permission is Permission.PUSH and is_open:
        return None
    if not terms.act_token:
        return 403, "this needs the acting token, and [web] act_token_file is not set"
    return 401, "this needs the acting token: Authorization: Bearer TOKEN"


class Guard:
    """Wraps the application. Knows nothing of what is asked, only how."""

    def __init__(self, app: App, terms: Terms) -> None:
        self._app, self._terms = app, terms

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or refuse it."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def sealed(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message["headers"], *SECURITY_HEADERS]
            await send(message)

        wrong = self._wrong(scope)
        if wrong is not None:
            await refuse(sealed, *wrong)
            return
        await self._app(scope, receive, sealed)

    def _wrong(self, scope: Scope) -> tuple[int, str] | None:
        hosts = headers(scope, b"host")
        if len(hosts) != 1 or not self._is_ours(hosts[0].decode("latin-1")):
            return 421, "this service is not known by that name: [web] hosts lists the names it has"
        if len(scope["raw_path"]) + len(scope["query_string"]) > LONGEST_TARGET:
            return 414, f"an address of at most {LONGEST_TARGET} characters is meant"
        if scope["method"] in ("GET", "HEAD", "OPTIONS"):
            return None
        if self._is_from_elsewhere(scope, hosts[0].decode("latin-1")):
            return 403, "writing from another page is refused"
        return _too_long(header(scope, b"content-length"))

    def _is_ours(self, host: str) -> bool:
        name = _name_of(host)
        if name in ("localhost", self._terms.host) or name in self._terms.hosts:
            return True
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return False
        return True  # a plain address cannot be pointed elsewhere by whoever owns a name

    @staticmethod
    def _is_from_elsewhere(scope: Scope, host: str) -> bool:
        if header(scope, b"sec-fetch-site") in (b"cross-site", b"same-site"):
            return True
        origin = header(scope, b"origin")
        if not origin:
            return False
        try:
            return urlsplit(origin.decode("latin-1")).netloc.lower() != host.lower()
        except ValueError:
            return True


def _name_of(host: str) -> str:
    """The name or address in a Host header, without port and brackets, lower case."""
    if host.startswith("["):
        return host[1:].partition("]")[0]
    return host.partition(":")[0].lower().rstrip(".")


def _too_long(length: bytes) -> tuple[int, str] | None:
    if length and (not length.isdigit() or len(length) > 12 or int(length) > LONGEST_BODY):
        return 413, f"a body of at most {LONGEST_BODY} bytes is meant"
    return None


def _bearer(scope: Scope) -> bytes:
    kind, _, token = header(scope, b"authorization").partition(b" ")
    return token.strip() if kind.lower() == b"bearer" else b""
