"""Change one value in the text of a lab file, and keep everything else, comments included.

The text is edited where the value stands; then the result is parsed and compared with what was
meant, so that an edit that would do anything else is refused, never made.
"""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from labref.config.locate import Path, dotted
from labref.model.errors import InputError

_BARE = re.compile(r"[A-Za-z0-9_-]+\Z")
_HEADER = re.compile(r"\s*\[(?!\[)(?P<name>[^\[\]]+)\]\s*(?:#.*)?\Z")


def parse_path(text: str) -> Path:
    """``transitions.clock729.path.0.order`` as a path; whole numbers count in lists."""
    return tuple(int(part) if part.isdecimal() else part for part in text.split("."))


def value_at(text: str, path: Path) -> Any:
    """The value that stands at ``path``, exact. Raises InputError where there is none."""
    value: Any = _parsed(text)
    for part in path:
        try:
            value = value[part]
        except (KeyError, IndexError, TypeError):
            raise InputError(f"the lab file has no {dotted(path)}") from None
    return value


def with_value(text: str, path: Path, value: Any) -> str:
    """The text with ``value`` at ``path``; a key that is not there yet is written into its table.

    Raises InputError where it cannot be done without touching anything else.
    """
    wanted = copy.deepcopy(_parsed(text))
    try:
        _set(wanted, path, value)
    except (KeyError, IndexError, TypeError):
        raise InputError(f"{dotted(path)} cannot be written: nothing is there") from None
    lines = text.split("\n")
    header, first, end = _section(lines, path)
    if header:
        key = str(path[header])
        fresh = f"{_key(key)} = {toml(_at(wanted, path[: header + 1]))}"
        begin, stop = _pair(lines, first, end, key)
        lines[begin:stop] = [fresh]
    else:
        table, key = path[:-1], str(path[-1])
        lines += [
            f"[{'.'.join(_key(str(part)) for part in table)}]",
            f"{_key(key)} = {toml(value)}",
            "",
        ]
    changed = "\n".join(lines)
    if _parsed(changed) != wanted:
        raise InputError(f"{dotted(path)} cannot be changed by itself: edit the file by hand")
    return changed


def toml(value: Any) -> str:
    """One value as TOML. Raises InputError for what a lab file cannot hold."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | Decimal):
        return str(value)
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
        return f'"{escaped}"'
    if isinstance(value, list | tuple):
        return f"[{', '.join(toml(one) for one in value)}]"
    if isinstance(value, dict):
        inner = ", ".join(f"{_key(key)} = {toml(one)}" for key, one in value.items())
        return "{ " + inner + " }" if inner else "{}"
    raise InputError(f"{value!r} cannot stand in a lab file")


def _parsed(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"not TOML: {error}") from None


def _set(tables: Any, path: Path, value: Any) -> None:
    for part in path[:-1]:
        tables = tables.setdefault(part, {}) if isinstance(tables, dict) else tables[part]
    tables[path[-1]] = value


def _at(tables: Any, path: Path) -> Any:
    for part in path:
        tables = tables[part]
    return tables


def _key(key: str) -> str:
    return key if _BARE.match(key) else f'"{key}"'


def _section(lines: Sequence[str], path: Path) -> tuple[int, int, int]:
    """Depth, first line and end of the longest ``[header]`` that holds ``path``; 0: none does."""
    headers = [(i, m["name"]) for i, line in enumerate(lines) if (m := _HEADER.match(line))]
    for depth in range(len(path) - 1, 0, -1):
        name = ".".join(str(part) for part in path[:depth])
        for number, (at, found) in enumerate(headers):
            if re.sub(r'[\s"]', "", found) == name:
                later = [i for i in range(at + 1, len(lines)) if lines[i].lstrip()[:1] == "["]
                starts = [i for i in later if _HEADER.match(lines[i]) or "[[" in lines[i][:3]]
                end = min(starts, default=len(lines)) if number + 1 else len(lines)
                return depth, at + 1, end
    return 0, 0, 0


def _pair(lines: Sequence[str], first: int, end: int, key: str) -> tuple[int, int]:
    """Lines of ``key = value`` in a section; where there are none, the place to write them."""
    pattern = re.compile(rf'\s*"?{re.escape(key)}"?\s*=')
    for at in range(first, end):
        if not pattern.match(lines[at]):
            continue
        for stop in range(at + 1, end + 1):
            try:
                tomllib.loads("\n".join(lines[at:stop]))
            except tomllib.TOMLDecodeError:
                continue
            return at, stop
    return first, first
