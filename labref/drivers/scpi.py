"""SCPI-1999 and IEEE 488.2 as text in and text out. No I/O.

Every parser takes any bytes and gives a value or a ReplyError.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from labref.model.errors import ReplyError
from labref.transport.steps import Exchange, ReadBytes, ReadLine

# 488.2 10.14 allows *IDN? 72 characters; instruments take more. Beyond this it is garbage.
_LONGEST_IDENTITY = 256
_ERROR = re.compile(r"\s*([+-]?\d{1,6})\s*,\s*\"(.*)\"\s*", re.DOTALL | re.ASCII)
_CHANNEL = re.compile(r"[+-]?\d+", re.ASCII)


@dataclass(frozen=True, slots=True)
class Identity:
    """What ``*IDN?`` says (IEEE 488.2, 10.14): four fields, missing ones empty."""

    maker: str
    model: str
    serial: str = ""
    firmware: str = ""

    @property
    def text(self) -> str:
        """The four fields, comma separated."""
        return ",".join((self.maker, self.model, self.serial, self.firmware))

    def is_same_device(self, other: Identity) -> bool:
        """Whether maker, model and serial number agree; firmware may have been updated."""
        mine = (self.maker, self.model, self.serial)
        return mine == (other.maker, other.model, other.serial)


def ascii_text(line: bytes) -> str:
    """Return a line as text without line ends. Raises ReplyError unless printable ASCII."""
    text = line.strip(b"\r\n\0 ").decode("latin-1")
    if not text.isascii() or not text.isprintable():
        raise ReplyError(f"{line[:60]!r} is not printable ASCII")
    return text


def parse_identity(line: bytes) -> Identity:
    """Read the reply to ``*IDN?``. Raises ReplyError."""
    text = ascii_text(line)
    fields = [field.strip() for field in text.split(",", 3)]
    if len(fields) < 2 or not fields[1] or len(text) > _LONGEST_IDENTITY:
        raise ReplyError(f"{text[:60]!r} does not identify an instrument (maker,model,...)")
    if all(_CHANNEL.fullmatch(field) or _is_number(field) for field in fields):
        raise ReplyError(f"{text[:60]!r} is a list of numbers, not an identity")
    return Identity(*fields)


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


@dataclass(frozen=True, slots=True)
class ErrorEntry:
    """One entry of the error queue (SCPI-1999 volume 2, 21.8); code 0 is no error."""

    code: int
    text: str

    def __str__(self) -> str:
        return f'{self.code},"{self.text}"'


@lru_cache(maxsize=64)
def parse_error(text: str) -> ErrorEntry:
    """Read the reply to ``SYSTem:ERRor?``. Raises ReplyError."""
    match = _ERROR.fullmatch(text)
    if match is None:
        raise ReplyError(f'{text[:60]!r} is not an error queue entry (number,"text")')
    return ErrorEntry(int(match[1]), match[2].replace('""', '"'))


def split_units(text: str) -> list[str]:
    """Split a compound response at its ``;`` outside quotes (IEEE 488.2, 8.4.1)."""
    return _split(text, ";")


def split_values(text: str) -> list[str]:
    """Split response data at its ``,`` outside quotes (IEEE 488.2, 8.4.2)."""
    return _split(text, ",")


def _split(text: str, separator: str) -> list[str]:
    parts = text.split(separator)
    for part in parts:
        if part.count('"') % 2:
            return _split_quoted(text, separator)
    return [part.strip() for part in parts]  # no separator stands between quotes


def _split_quoted(text: str, separator: str) -> list[str]:
    parts, start, quoted = [], 0, False
    for at, character in enumerate(text):
        if character == '"':
            quoted = not quoted
        elif character == separator and not quoted:
            parts.append(text[start:at].strip())
            start = at + 1
    if quoted:
        raise ReplyError(f"{text[:60]!r} has an unfinished quotation")
    parts.append(text[start:].strip())
    return parts


def read_block(limit: int = 1 << 20, terminator: bytes = b"\n") -> Exchange[bytes]:
    """Read a definite-length block ``#<d><n><bytes>`` and its terminator (488.2, 8.7.9).

    Raises ReplyError where the header is wrong or announces more than ``limit`` bytes.
    """
    head = yield ReadBytes(2)
    if head[:1] != b"#" or not head[1:].isdigit():
        raise ReplyError(f"a block begins with #, a digit and a length, not with {head!r}")
    width = int(head[1:])
    if width == 0:
        raise ReplyError("an indefinite-length block cannot be told from noise on a byte stream")
    size_text = yield ReadBytes(width)
    if not size_text.isdigit() or int(size_text) + len(terminator) > limit:
        raise ReplyError(f"a block of {size_text!r} bytes is refused; the limit is {limit}")
    size = int(size_text)
    whole = yield ReadBytes(size + len(terminator))
    data, rest = whole[:size], whole[size:]
    if rest != terminator:  # other line ends, blanks before them, or nonsense
        rest += yield ReadLine(terminator)
    if rest.strip():
        raise ReplyError(f"{rest[:40]!r} follows a block of {len(data)} bytes")
    return data


_FORMATS = {"real64": "f8", "real32": "f4", "int32": "i4", "int64": "i8"}


def block_values(data: bytes, kind: str, columns: int, big: bool = True) -> npt.NDArray[np.float64]:
    """Return block data as float64 (rows, columns); int64 stays exact up to 2**53.

    ``kind`` is real64, real32, int32 or int64; ``big`` is SCPI's ``FORMat:BORDer NORMal``.
    Raises ReplyError where the length does not fit.
    """
    dtype = np.dtype(_FORMATS[kind]).newbyteorder(">" if big else "<")
    size = dtype.itemsize * columns
    if columns < 1 or len(data) % size:
        raise ReplyError(f"{len(data)} bytes do not hold whole rows of {columns} {kind} values")
    values: npt.NDArray[np.float64] = np.frombuffer(data, dtype).astype(np.float64)
    return values.reshape(-1, columns)
