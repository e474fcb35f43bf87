"""Program messages as text: framing into messages, units and data elements.

Syntax of IEEE 488.2 chapter 7: units are separated by ``;``, a header and its data by white
space, data elements by ``,``; strings, blocks and parenthesised expressions hide these
characters. Everything here is a pure function of bytes, except `Framer`, which remembers an
unfinished message.
"""

import re
from dataclasses import dataclass
from functools import lru_cache

from sim_instruments.scpi.errors import ScpiError

MAX_MESSAGE = 65536
MAX_BLOCK = 4096
WHITE = " \t\r\v\f\0"

_HEADER = re.compile(r"\*[A-Za-z]\w*\??|:?[A-Za-z]\w*(?::[A-Za-z]\w*)*\??", re.ASCII)
_NUMBER = re.compile(r"([+-]?(?:\d+(?:\.\d*)?|\.\d+))(?:\s*[Ee]\s*([+-]?\d+))?")
_SUFFIX = re.compile(r"\s*(/?[A-Za-z][A-Za-z0-9./-]*)?\s*\Z")
_NONDECIMAL = re.compile(r"#(?:[Hh]([0-9A-Fa-f]+)|[Qq]([0-7]+)|[Bb]([01]+))\Z")
_BASES = (16, 8, 2)


@dataclass(frozen=True)
class Element:
    """One data element: ``kind`` is number, word, string, block or expression.

    ``text`` is the value without quotes, ``#`` prefix or parentheses; ``suffix`` the unit of
    a number, upper case; ``block`` the bytes of a block.
    """

    kind: str
    text: str
    suffix: str = ""
    block: bytes = b""


@dataclass(frozen=True)
class Unit:
    """One program message unit: header as typed (without ``?``), query flag, data elements."""

    header: str
    query: bool
    elements: tuple[Element, ...]


class Framer:
    """Cuts a byte stream into program messages at NL, keeping NL inside definite blocks."""

    def __init__(self) -> None:
        self._buffer = bytearray()
        self._scanned = 0
        self._quote = 0
        self._overrun = False

    def clear(self) -> None:
        """Forget an unfinished message (device clear)."""
        self._buffer.clear()
        self._scanned = self._quote = 0
        self._overrun = False

    def feed(self, data: bytes) -> list[bytes | None]:
        """Complete messages without their NL; None stands for one lost by overrun (-363)."""
        self._buffer += data
        messages: list[bytes | None] = []
        while (end := self._next_end()) is not None:
            lost = self._overrun or end > MAX_MESSAGE
            messages.append(None if lost else bytes(self._buffer[:end]))
            del self._buffer[: end + 1]
            self._scanned = self._quote = 0
            self._overrun = False
        if len(self._buffer) > MAX_MESSAGE:
            self._overrun = True
            self._buffer.clear()
            self._scanned = self._quote = 0
        return messages

    def _next_end(self) -> int | None:
        buffer = self._buffer
        if b"#" not in buffer:
            end = buffer.find(b"\n", self._scanned)
            self._scanned = len(buffer) if end < 0 and not self._quote else self._scanned
            return None if end < 0 else end
        index = 0
        quote = 0
        while index < len(buffer):
            byte = buffer[index]
            if byte == 10:
                return index
            if quote:
                quote = 0 if byte == quote else quote
            elif byte in b"\"'":
                quote = byte
            elif byte == 35:
                length = _block_length(buffer, index)
                if length is None:
                    return None
                index += length
                continue
            index += 1
        return None


def _block_length(buffer: bytes | bytearray, index: int) -> int | None:
    """Bytes of the element at ``#`` (1 if it is no definite block), None if incomplete."""
    if index + 1 >= len(buffer):
        return None
    digits = buffer[index + 1] - 48
    if not 1 <= digits <= 9:
        return 1
    count = bytes(buffer[index + 2 : index + 2 + digits])
    if not count.isdigit():
        return 1 if count else (1 if index + 2 < len(buffer) else None)
    if len(count) < digits:
        return None if index + 2 + digits > len(buffer) else 1
    if int(count) > MAX_BLOCK:
        return 1
    total = 2 + digits + int(count)
    return None if index + total > len(buffer) else total


def split_outside(text: str, separator: str) -> list[str]:
    """Split at a separator that is not inside a string, block or expression."""
    if separator not in text:
        return [text]
    parts: list[str] = []
    start = index = depth = 0
    quote = ""
    while index < len(text):
        char = text[index]
        if quote:
            quote = "" if char == quote else quote
        elif char in "\"'":
            quote = char
        elif char == "#":
            index += max(_block_length(text.encode("latin-1"), index) or 1, 1)
            continue
        elif char == "(":
            depth += 1
        elif char == ")":
            depth -= 1
        elif char == separator and depth <= 0:
            parts.append(text[start:index])
            start = index + 1
        index += 1
    parts.append(text[start:])
    return parts


@lru_cache(maxsize=512)
def parse_unit(text: str) -> Unit:
    """Read one program message unit; raises ScpiError -101 to -171 for bad syntax.

    Clients repeat themselves, so units that were read are remembered.
    """
    text = text.strip(WHITE)
    match = _HEADER.match(text)
    if match is None:
        raise ScpiError(-101 if text[:1] not in ":*" else -110, text[:20])
    header, rest = match.group(), text[match.end() :]
    if rest and rest[0] not in WHITE:
        raise ScpiError(_bad_after_header(rest), text[:20])
    query = header.endswith("?")
    header = header.rstrip("?")
    for mnemonic in header.strip("*:").split(":"):
        if len(mnemonic) > 12:
            raise ScpiError(-112, mnemonic[:20])
    rest = rest.strip(WHITE)
    elements = tuple(parse_element(part) for part in split_outside(rest, ",")) if rest else ()
    return Unit(header, query, elements)


def _bad_after_header(rest: str) -> int:
    if rest[0] in ",/=":
        return -111
    if rest[0] in ":?*":
        return -102
    return -101


def parse_element(text: str) -> Element:
    """Read one data element; raises ScpiError in the class of what it seems to be."""
    text = text.strip(WHITE)
    if not text:
        raise ScpiError(-102, "empty data element")
    first = text[0]
    if first in "\"'":
        return _string(text)
    if first == "#":
        return _hash(text)
    if first == "(":
        if not text.endswith(")"):
            raise ScpiError(-171, text[:20])
        return Element("expression", text[1:-1])
    if first in "+-.0123456789":
        return _number(text)
    return _word(text)


def _word(text: str) -> Element:
    if not re.fullmatch(r"[A-Za-z]\w*", text, re.ASCII):
        raise ScpiError(-141 if text[0].isascii() and text[0].isalpha() else -101, text[:20])
    if len(text) > 12:
        raise ScpiError(-144, text[:20])
    return Element("word", text.upper())


def _string(text: str) -> Element:
    quote = text[0]
    body = text[1:-1]
    if len(text) < 2 or text[-1] != quote or quote in body.replace(quote * 2, ""):
        raise ScpiError(-151, text[:20])
    return Element("string", body.replace(quote * 2, quote))


def _hash(text: str) -> Element:
    match = _NONDECIMAL.match(text)
    if match:
        for digits, base in zip(match.groups(), _BASES, strict=True):
            if digits:
                return Element("number", str(int(digits[:64], base)))
    raw = text.encode("latin-1")
    if raw[1:2] == b"0":
        return Element("block", "", block=raw[2:])
    length = _block_length(raw, 0)
    if length != len(raw):
        raise ScpiError(-161 if raw[1:2].isdigit() else -121, text[:20])
    return Element("block", "", block=raw[2 + int(raw[1:2]) :])


def _number(text: str) -> Element:
    match = _NUMBER.match(text)
    if match is None:
        raise ScpiError(-121, text[:20])
    mantissa, exponent = match.groups()
    if sum(char.isdigit() for char in mantissa.lstrip("+-0.")) > 255:
        raise ScpiError(-124, text[:20])
    if exponent and (len(exponent) > 7 or abs(int(exponent)) > 32000):
        raise ScpiError(-123, text[:20])
    suffix = _SUFFIX.match(text[match.end() :])
    if suffix is None:
        raise ScpiError(-121 if text[match.end()] in ".+-" else -131, text[:20])
    unit = (suffix.group(1) or "").upper()
    if len(unit) > 12:
        raise ScpiError(-134, unit[:20])
    return Element("number", mantissa + (f"E{exponent}" if exponent else ""), suffix=unit)
