"""Headers: short and long forms, optional nodes, numeric suffixes, the tree walk.

A pattern is written as in the standard's own notation: ``[SENSe]:FREQuency:APERture``,
capitals are the short form, brackets mark nodes that may be left out, ``|`` separates
aliases as in ``[:CW|FIXed]``, and ``#`` is a numeric suffix that defaults to 1 (SCPI-1999
Volume 1, chapter 6).
"""

import re
from dataclasses import dataclass

_NODE = re.compile(r"(\[?):?([^:\[\]]+)(\]?)")
_TYPED = re.compile(r"(\w*?[A-Z_])(\d*)\Z")


@dataclass(frozen=True)
class Node:
    """One node of a pattern: accepted spellings, optional or not, with a suffix or not."""

    spellings: frozenset[str]
    long: str
    optional: bool
    suffixed: bool


@dataclass(frozen=True)
class Match:
    """A header that fits a pattern: its numeric suffixes, and the full path of long forms."""

    suffixes: tuple[int, ...]
    path: tuple[str, ...]


def compile_pattern(pattern: str) -> tuple[Node, ...]:
    """Nodes of a header pattern in the notation of this module."""
    return tuple(_node(body, optional=bool(opening)) for opening, body, _ in _NODE.findall(pattern))


def _node(body: str, optional: bool) -> Node:
    suffixed = body.endswith("#")
    names = [name.lstrip(":") for name in body.rstrip("#").split("|")]
    spellings = set[str]()
    for name in names:
        spellings |= {name.upper(), "".join(char for char in name if not char.islower())}
    return Node(frozenset(spellings), names[0].upper(), optional, suffixed)


def split_typed(header: str) -> tuple[str, ...]:
    """Upper-case mnemonics of a typed header, without a leading colon."""
    return tuple(header.upper().lstrip(":").split(":"))


def match(typed: tuple[str, ...], nodes: tuple[Node, ...]) -> Match | None:
    """Fit typed mnemonics to a pattern; None when they do not fit."""
    if not nodes:
        return None if typed else Match((), ())
    head, tail = nodes[0], nodes[1:]
    if typed:
        suffix = _fits(typed[0], head)
        if suffix is not None:
            rest = match(typed[1:], tail)
            if rest is not None:
                own = (suffix,) if head.suffixed else ()
                name = f"{head.long}{suffix}" if head.suffixed else head.long
                return Match(own + rest.suffixes, (name, *rest.path))
    if head.optional:
        rest = match(typed, tail)
        if rest is not None:
            own = (1,) if head.suffixed else ()
            name = f"{head.long}1" if head.suffixed else head.long
            return Match(own + rest.suffixes, (name, *rest.path))
    return None


def _fits(mnemonic: str, node: Node) -> int | None:
    if mnemonic in node.spellings:
        return 1
    if not node.suffixed:
        return None
    typed = _TYPED.match(mnemonic)
    if typed is None or typed.group(1) not in node.spellings or not typed.group(2):
        return None
    return int(typed.group(2)[:6])
