"""A lab file's text with other addresses: for simulated instruments in place of real ones."""

from __future__ import annotations

import re
from collections.abc import Mapping

from labref.model.errors import InputError

_HEAD = re.compile(r"^\s*\[instruments\.(?P<name>[^\]]+)\]\s*(#.*)?$")
_ANY_HEAD = re.compile(r"^\s*\[")
_ADDRESS = re.compile(r"^(?P<before>\s*address\s*=\s*)(?P<quote>[\"']).*?(?P=quote)(?P<after>.*)$")


def with_addresses(text: str, addresses: Mapping[str, str]) -> str:
    """Return ``text`` with the address of every instrument in ``addresses`` replaced.

    All else, comments included, stays as it is. Raises InputError naming instruments whose
    address was not found on a line of its own.
    """
    left = dict(addresses)
    current = ""
    lines = []
    for line in text.splitlines(keepends=True):
        head = _HEAD.match(line)
        if head or _ANY_HEAD.match(line):
            current = head["name"].strip("\"' ") if head else ""
        match = _ADDRESS.match(line.rstrip("\n")) if current in left else None
        if match is None:
            lines.append(line)
            continue
        new = left.pop(current)
        lines.append(f'{match["before"]}"{new}"{match["after"]}\n')
    if left:
        raise InputError(
            f"no line 'address = ...' under [instruments.{next(iter(left))}] in the lab file"
        )
    return "".join(lines)
