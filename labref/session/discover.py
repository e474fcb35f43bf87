"""Who answers at an address that somebody named, and which dialect it may speak.

Nothing is scanned: one connection to each named address, first listening (some instruments talk
unasked), then the identification, then the read-only setting queries of dialects that fit. Nothing
is configured, armed or moved. A running session holds its instruments' connections: ask before it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from labref.drivers.catalogue import Catalogue
from labref.drivers.dialect import Dialect
from labref.drivers.scpi import parse_error
from labref.model.errors import InputError, LinkError, ReplyError
from labref.transport.blocking import Transport
from labref.transport.wires import Wires

LISTEN_S = 1.3
REPLY_S = 1.0
QUICK_S = 0.3


@dataclass(frozen=True, slots=True)
class Answer:
    """What came from ``address``: ``identity``, and dialects it may speak, the likeliest first.

    ``why``: for each of ``dialects`` what speaks for it. ``problem``: why nothing is known.
    """

    address: str
    identity: str = ""
    dialects: tuple[str, ...] = ()
    why: tuple[str, ...] = ()
    problem: str = ""


def discover(address: str, catalogue: Catalogue, wires: Wires | None = None) -> Answer:
    """Ask one address. Raises InputError for one that is none."""
    wire = (wires or Wires()).make(address, {}, REPLY_S)
    transport = Transport(wire, timeout_s=REPLY_S)
    try:
        transport.open()
        return _heard(address, transport) or _asked(address, transport, catalogue)
    except (LinkError, ReplyError) as error:
        return Answer(address, problem=str(error).removeprefix(f"{address}: "))
    finally:
        transport.close()


def _heard(address: str, transport: Transport) -> Answer | None:
    """Who talks unasked is known by how it talks; a first line may be the end of one."""
    for _ in range(2):
        try:
            line = transport.read_until(b"\n", LISTEN_S).strip()
        except (LinkError, ReplyError):
            return None
        if (answer := _talker(address, line)) is not None:
            return answer
    return None


def _talker(address: str, line: bytes) -> Answer | None:
    if line[:2] in (b"$G", b"$B") or line[:3] == b"$PT":
        return Answer(address, "sends NMEA sentences", ("nmea-receiver",), ("its sentences",))
    words = line.lstrip(b"#").split()
    if line[:1] == b"#" or (words and all(_is_number(word) for word in words)):
        text = line.decode("ascii", "replace")[:60]
        return Answer(address, f"sends lines: {text}", ("line-counter",), ("a line per gate",))
    return None


def _asked(address: str, transport: Transport, catalogue: Catalogue) -> Answer:
    for terminator in (b"\n", b"\r\n"):
        transport.terminator = terminator
        try:
            identity = transport.query("*IDN?")
        except (LinkError, ReplyError):
            continue
        known: dict[str, bool] = {}
        found = _candidates(catalogue, terminator)
        scored = [(_score(dialect, transport, known), dialect.name) for dialect in found]
        scored.sort(key=lambda pair: (-pair[0], pair[1]))
        best = [(score, name) for score, name in scored if score > 0]
        return Answer(
            address,
            identity,
            tuple(name for _, name in best),
            tuple(f"all {score} of its settings can be read" for score, _ in best),
            "" if best else "no dialect fits: write one, or ask for its manual's queries",
        )
    return Answer(address, problem="connected, but nobody answers *IDN?: is it in use elsewhere?")


def _candidates(catalogue: Catalogue, terminator: bytes) -> list[Dialect]:
    return [d for d in catalogue.all() if d.identify == "*IDN?" and d.line_end == terminator]


def _score(dialect: Dialect, transport: Transport, known: dict[str, bool]) -> int:
    """How many read-only queries of a dialect all got a sensible answer; 0 where one did not.

    ``known``: what was asked already, for dialects share queries.
    """
    queries = _read_only(dialect)
    for query in queries:
        if query not in known:
            known[query] = _answers(transport, query, dialect.errors)
        if not known[query]:
            return 0
    return len(queries)


def _read_only(dialect: Dialect) -> list[str]:
    """Setting queries without a variable, and input queries of instruments that are only polled."""
    found = [spec.query for spec in dialect.settings.values()]
    if dialect.program == "poll":
        found += [one.query for one in dialect.inputs.values()]
    if dialect.exposures is not None and not dialect.exposures.select:
        found += [ask.query for ask in dialect.exposures.asks]
    filled = [query.replace("{input}", "1").replace("{output}", "1") for query in found]
    return [query for query in filled if "?" in query and "{" not in query]


def _answers(transport: Transport, query: str, errors: str) -> bool:
    try:
        reply = transport.query(query, QUICK_S)
        if not errors:
            return bool(reply) and not reply.upper().startswith(("ERR", "?"))
        return _queue_is_empty(transport, errors) and bool(reply)
    except (LinkError, ReplyError, InputError):
        if errors and transport.wire.is_open():
            _empty(transport, errors)
        return False


def _queue_is_empty(transport: Transport, errors: str) -> bool:
    entry = parse_error(transport.query(errors, QUICK_S))
    if entry.code == 0:
        return True
    _empty(transport, errors)
    return False


def _empty(transport: Transport, errors: str) -> None:
    """Leave no error of ours in its queue."""
    for _ in range(20):
        try:
            transport.drain(0.05)
            if parse_error(transport.query(errors, QUICK_S)).code == 0:
                return
        except (LinkError, ReplyError):
            return


def _is_number(word: bytes) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return True


def discover_all(addresses: Sequence[str], catalogue: Catalogue) -> list[Answer]:
    """Ask every named address, one after the other."""
    return [discover(address, catalogue) for address in addresses]
