"""Error numbers with their standard texts, and the error queue.

Source of numbers and texts: SCPI-1999 Volume 2, 21.8 (``errors.csv`` beside this file).
The class of an error decides which bit of the standard event register it sets
(21.8.9 to 21.8.16).
"""

import csv
from collections import deque
from importlib import resources

OPC, RQC, QYE, DDE, EXE, CME, URQ, PON = (1 << bit for bit in range(8))

_CLASS_BITS = ((-199, CME), (-299, EXE), (-399, DDE), (-499, QYE))
_SINGLE_BITS = {-500: PON, -600: URQ, -700: RQC, -800: OPC}


def _load() -> dict[int, str]:
    text = resources.files(__package__).joinpath("errors.csv").read_text(encoding="ascii")
    lines = (line for line in text.splitlines() if not line.startswith("#"))
    return {int(code): message for code, message in csv.reader(lines)}


STANDARD_TEXTS = _load()


class ScpiError(Exception):
    """A numbered SCPI error, raised while a program message unit is read or executed."""

    def __init__(self, code: int, info: str = "") -> None:
        super().__init__(code, info)
        self.code = code
        self.info = info


def event_bit(code: int) -> int:
    """Bit of the standard event register that an error number sets (0 for no error)."""
    if code == 0:
        return 0
    if code > 0:
        return DDE
    if code in _SINGLE_BITS:
        return _SINGLE_BITS[code]
    for lowest, bit in _CLASS_BITS:
        if code >= lowest:
            return bit
    return DDE


def describe(code: int, info: str = "") -> str:
    """One entry as ``SYSTem:ERRor?`` answers it: ``-222,"Data out of range;info"``.

    The text is at most 255 characters long (21.8.1); quotes in it are doubled (488.2 8.7.8).
    """
    text = STANDARD_TEXTS.get(code, "Device-specific error")
    if info:
        text = f"{text};{_printable(info)}"
    return f'{code},"{text[:255].replace(chr(34), chr(34) * 2)}"'


def _printable(info: str) -> str:
    """What was received, safe to answer: anything but printable ASCII becomes ``?``."""
    return "".join(char if " " <= char <= "~" else "?" for char in info)


class ErrorQueue:
    """First in, first out; when full the last entry becomes ``-350`` and the rest is kept."""

    def __init__(self, capacity: int = 20) -> None:
        self._entries: deque[tuple[int, str]] = deque()
        self._capacity = capacity

    def __len__(self) -> int:
        return len(self._entries)

    def push(self, code: int, info: str = "") -> None:
        """Add an error; on overflow replace the last entry by -350 (21.8.1)."""
        if len(self._entries) < self._capacity:
            self._entries.append((code, info))
        else:
            self._entries[-1] = (-350, "")

    def pop(self) -> str:
        """Oldest entry as text, removed; ``0,"No error"`` when empty."""
        return describe(*self._entries.popleft()) if self._entries else describe(0)

    def clear(self) -> None:
        """Empty the queue (``*CLS``)."""
        self._entries.clear()
