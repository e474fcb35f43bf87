"""Read a lab file: bytes to typed tables, with every error of form at once.

TOML numbers become exact decimals (``parse_float=Decimal``). A file that is no TOML, or has
another schema version, ends with that one error; otherwise all problems are collected, and
tables that are in order are handed on so that `labref.config.meaning` can say what else is
wrong.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from pathlib import Path as FilePath
from typing import Any

import msgspec
import msgspec.inspect as types

from labref.config.complaints import Complaints, did_you_mean
from labref.config.locate import Locator, Path
from labref.config.schema import SCHEMA_VERSION, LabTables
from labref.config.validate import check_value
from labref.model.errors import LabFileError, Problem

_LARGEST_FILE = 1_000_000  # bytes; a lab file is text written by hand
_ENDLESS = re.compile(r"[0-9_]{4000}")
_PLACE = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")


@dataclass(frozen=True)
class Document:
    """A lab file that is TOML of this schema version, as far as it could be read.

    ``raw``: everything, as tomllib gives it. ``tables``: the tables without any error of form.
    ``plugin_tables``: the plugins' structs, by table name. ``complaints``: what was wrong.
    """

    file: str
    text: str
    raw: dict[str, Any]
    tables: LabTables
    plugin_tables: Mapping[str, Any]
    complaints: Complaints

    def names(self, table: str) -> frozenset[str]:
        """Names declared under ``[table.NAME]``, also of entries that are themselves wrong."""
        return self.complaints.names(table)


def read_document(path: str | FilePath, plugin_types: Mapping[str, Any] | None = None) -> Document:
    """Read the lab file at ``path``; raises LabFileError if it cannot be read at all."""
    try:
        data = FilePath(path).read_bytes()
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise LabFileError(str(path), [Problem(0, "", f"cannot be read: {reason}")]) from None
    return parse_document(data, str(path), plugin_types)


def parse_document(
    data: bytes, file: str, plugin_types: Mapping[str, Any] | None = None
) -> Document:
    """Parse the bytes of a lab file; raises LabFileError if nothing can be made of them.

    ``plugin_types`` maps a table's name to its type (a msgspec struct, or ``dict[str, struct]``).
    """
    text = _decode(data, file)
    raw = _parse(text, file)
    _check_version(raw, file, text)
    complaints = Complaints(Locator(text), raw)
    kinds = _kinds()
    extra = dict(plugin_types or {})
    extra_kinds = {name: types.type_info(kind) for name, kind in extra.items()}
    _check_top(raw, kinds, extra_kinds, complaints)
    good: dict[str, Any] = {"labref": SCHEMA_VERSION}
    for key, kind in kinds.items():
        if key in raw:
            good |= _checked(key, raw[key], kind, complaints)
    plugins: dict[str, Any] = {}
    for name, kind in extra_kinds.items():
        if name in raw and (passed := _checked(name, raw[name], kind, complaints)):
            plugins[name] = msgspec.convert(passed[name], extra[name])
    tables = msgspec.convert(good, LabTables)
    return Document(file, text, raw, tables, plugins, complaints)


@cache
def _kinds() -> Mapping[str, types.Type]:
    info = types.type_info(LabTables)
    assert isinstance(info, types.StructType)
    return {field.encode_name: field.type for field in info.fields}


def _checked(key: str, value: Any, kind: types.Type, complaints: Complaints) -> dict[str, Any]:
    """Return ``{key: value}`` without what has errors of form; empty if nothing is left."""
    if not (isinstance(kind, types.DictType) and isinstance(value, dict)):
        return {key: value} if _is_clean(value, kind, (key,), complaints) else {}
    entries = {
        name: entry
        for name, entry in value.items()
        if _is_clean({name: entry}, kind, (key,), complaints)
    }
    return {key: entries}


def _is_clean(value: Any, kind: types.Type, path: Path, complaints: Complaints) -> bool:
    before = len(complaints.problems)
    check_value(value, kind, path, complaints)
    return len(complaints.problems) == before


def _check_top(
    raw: Mapping[str, Any],
    kinds: Mapping[str, types.Type],
    extra: Mapping[str, types.Type],
    complaints: Complaints,
) -> None:
    known = {*kinds, *extra}
    for key in raw:
        if key not in known:
            near = did_you_mean(key, known)
            plugin = "" if near.startswith(", did") else " (or is its plugin not installed?)"
            complaints.problem((key,), f"unknown table or key {key!r}{near}{plugin}")


def _decode(data: bytes, file: str) -> str:
    if len(data) > _LARGEST_FILE:
        raise LabFileError(
            file, [Problem(0, "", f"{len(data)} bytes: no lab file is larger than {_LARGEST_FILE}")]
        )
    if not data.strip():
        raise LabFileError(
            file, [Problem(1, "", f"the file is empty: it starts with labref = {SCHEMA_VERSION}")]
        )
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        what = f"byte 0x{data[error.start]:02x} is not UTF-8: save the file as UTF-8 text"
        raise LabFileError(file, [Problem(line, "", what)]) from None
    return text.replace("\r\n", "\n")


def _parse(text: str, file: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        raise LabFileError(file, [_syntax_problem(str(error), text)]) from None
    except RecursionError:
        raise LabFileError(file, [Problem(0, "", "lists or tables nested too deeply")]) from None
    except (ValueError, ArithmeticError) as error:
        raise LabFileError(file, [_value_problem(str(error), text)]) from None


def _value_problem(message: str, text: str) -> Problem:
    """A value that the standard parser takes for TOML and cannot turn into a number or date."""
    digits = _ENDLESS.search(text)
    if digits is None:
        return Problem(0, "", f"a value that cannot be read: {message[:100]}")
    line = text.count("\n", 0, digits.start()) + 1
    return Problem(line, "", "a number of thousands of digits cannot be read")


def _syntax_problem(message: str, text: str) -> Problem:
    place = _PLACE.search(message)
    if place is None:
        return Problem(0, "", f"not TOML: {message}")
    what = message[: place.start()]
    if place[1] is None:
        return Problem(text.count("\n") + 1, "", f"not TOML: {what} at the end of the file")
    return Problem(int(place[1]), "", f"not TOML: column {place[2]}: {what}")


def _check_version(raw: Mapping[str, Any], file: str, text: str) -> None:
    version = raw.get("labref")
    if version == SCHEMA_VERSION and type(version) is int:
        return
    line = Locator(text).line(("labref",))
    first = f"the first line is labref = {SCHEMA_VERSION}"
    if version is None:
        what = f"the schema version is missing: {first}"
    elif type(version) is not int:
        what = f"the schema version is a whole number: {first}"
    elif version > SCHEMA_VERSION:
        what = (
            f"this file has schema version {str(version)[:20]}, this labref reads "
            f"{SCHEMA_VERSION}: install a newer labref"
        )
    else:
        what = f"there is no schema version {str(version)[:20]}: {first}"
    raise LabFileError(file, [Problem(line, "labref", what)])
