"""Where each key of a TOML text stands: lines for messages about its meaning.

The standard parser gives lines only for syntax errors. This scanner runs on text that it has
already accepted, so it looks for keys and skips values, and needs no errors of its own.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right

Path = tuple[str | int, ...]

# Keys below this depth are found at their parent: no lab file nests so far, and paths are copied.
_DEEPEST = 32

_BLANK = re.compile(r"(?:[ \t\n]|#[^\n]*)*")
_BETWEEN = re.compile(r"(?:[ \t\n,]|#[^\n]*)*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_DOT = re.compile(r"[ \t]*\.[ \t]*")
_SPACE = re.compile(r"[ \t]*")
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"""(?:"{0,2})'
    r"|'''.*?'''(?:'{0,2})"
    r'|"(?:\\.|[^"\\])*"'
    r"|'[^']*'",
    re.DOTALL,
)
_SCALAR = re.compile(r"[^,\]}\n#]*")
_BARE = re.compile(r"[A-Za-z0-9_-]+\Z")


class Locator:
    """Lines (from 1) of every table, key and array element, by path.

    A path is a tuple of keys and array indices: ``("transitions", "clock", "path", 0, "aom")``.
    """

    def __init__(self, text: str) -> None:
        self._text = text
        self._newlines = [match.start() for match in re.finditer("\n", text)]
        self._counts: dict[Path, int] = {}
        self.lines: dict[Path, int] = {(): 1}
        self._scan()

    def line(self, path: Path) -> int:
        """Return the line of ``path``, or of the nearest table around it that is written."""
        while path not in self.lines:
            path = path[:-1]
        return self.lines[path]

    def _scan(self) -> None:
        prefix: Path = ()
        position = self._skip(_BLANK, 0)
        while position < len(self._text):
            if self._text[position] == "[":
                prefix, position = self._header(position)
            else:
                position = self._pair(position, prefix)
            position = self._skip(_BLANK, position)

    def _header(self, position: int) -> tuple[Path, int]:
        array = self._text.startswith("[[", position)
        keys, after = self._key(position + 1 + array)
        path: Path = ()
        for key in keys[:-1]:
            path = (*path, key)
            self._note(path, position)
            if path in self._counts:
                path = (*path, self._counts[path] - 1)
        path = (*path, keys[-1])
        # A header is where its table stands, also if a sub-table was written before it.
        self.lines[path] = (
            min(self.lines[path], self._line(position))
            if array and (path in self.lines)
            else self._line(position)
        )
        if array:
            index = self._counts.get(path, 0)
            self._counts[path] = index + 1
            path = (*path, index)
            self._note(path, position)
        return path, after + 1 + array

    def _pair(self, position: int, prefix: Path) -> int:
        keys, after = self._key(position)
        path = prefix
        for key in keys:
            path = (*path, key)
            self._note(path, position)
        return self._value(after + 1, path)

    def _value(self, position: int, path: Path) -> int:
        position = self._skip(_SPACE, position)
        opening = self._text[position]
        if opening in "\"'":
            return self._skip(_STRING, position)
        if opening not in "[{":
            return self._skip(_SCALAR, position)
        position, index = self._skip(_BETWEEN, position + 1), 0
        while self._text[position] not in "]}":
            if opening == "{":
                position = self._pair(position, path)
            else:
                self._note((*path, index), position)
                position = self._value(position, (*path, index))
                index += 1
            position = self._skip(_BETWEEN, position)
        return position + 1

    def _key(self, position: int) -> tuple[list[str], int]:
        keys: list[str] = []
        while True:
            position = self._skip(_SPACE, position)
            quoted = self._text[position] in "\"'"
            end = self._skip(_STRING if quoted else _BARE_KEY, position)
            key = self._text[position:end]
            keys.append(tomllib.loads(f"k = {key}")["k"] if quoted else key)
            dot = _DOT.match(self._text, end)
            if dot is None:
                return keys[:_DEEPEST], self._skip(_SPACE, end)
            position = dot.end()

    def _note(self, path: Path, position: int) -> None:
        self.lines.setdefault(path, self._line(position))

    def _line(self, position: int) -> int:
        return bisect_right(self._newlines, position - 1) + 1

    def _skip(self, pattern: re.Pattern[str], position: int) -> int:
        match = pattern.match(self._text, position)
        return position if match is None else match.end()


def _escaped(text: str) -> str:
    """A key without anything that would break a message's line."""
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text).replace('"', '\\"')


def dotted(path: Path) -> str:
    """Return a path as text: ``transitions.clock.path[0].aom``; odd keys are quoted."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
            continue
        shown = part if _BARE.match(part) else f'"{_escaped(part)}"'
        text += f".{shown}" if text else shown
    return text
