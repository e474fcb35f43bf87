"""Check raw TOML values against the tables' types: every error, key by key.

msgspec converts, but stops at its first error and has no lines; so its description of the
types is walked here, each value is compared with what its field allows, and msgspec is asked
only for tables that have passed.
"""

from __future__ import annotations

import builtins
from collections.abc import Mapping
from datetime import date, time
from decimal import Decimal
from typing import Any

import msgspec.inspect as types

from labref.config.complaints import Complaints, did_you_mean
from labref.config.locate import Path
from labref.config.rules import broken_rule, unusable_number
from labref.config.units import unit_mixup

NAME_LENGTH = 48

SINGULAR: Mapping[str, str] = {
    "references": "reference",
    "instruments": "instrument",
    "channels": "channel",
    "combs": "comb",
    "cavities": "cavity",
    "lasers": "laser",
    "witnesses": "witness",
    "transitions": "transition",
}


def check_value(value: object, kind: types.Type, path: Path, complaints: Complaints) -> None:
    """Note every way in which ``value`` (as tomllib gives it) is not of ``kind``."""
    extra: Mapping[str, str] = {}
    if isinstance(kind, types.Metadata):
        extra = kind.extra or {}
        kind = kind.type
    before = len(complaints.problems)
    _check_kind(value, kind, path, complaints)
    if len(complaints.problems) > before:
        return
    broken = broken_rule(extra["rule"], value) if "rule" in extra else None
    if "name in" in extra:
        broken = _unknown_name(str(value), extra["name in"], complaints)
    if broken:
        complaints.problem(path, broken)


def _unknown_name(name: str, table: str, complaints: Complaints) -> str | None:
    names = complaints.names(table)
    return None if name in names else f"no {SINGULAR[table]} {name!r}{did_you_mean(name, names)}"


def _check_kind(value: object, kind: types.Type, path: Path, complaints: Complaints) -> None:
    branch = _branch(value, kind)
    if branch is None:
        complaints.problem(path, f"{_shown(value)}; {describe(kind)} is meant")
    elif isinstance(branch, types.Metadata):
        check_value(value, branch, path, complaints)
    elif isinstance(branch, types.StructType):
        _check_struct(value, branch, path, complaints)
    elif isinstance(branch, types.DictType):
        _check_dict(value, branch, path, complaints)
    elif isinstance(branch, types.ListType | types.TupleType | types.VarTupleType):
        _check_list(value, branch, path, complaints)
    else:
        _check_scalar(value, branch, path, complaints)


def _branch(value: object, kind: types.Type) -> types.Type | None:
    """Return the alternative of ``kind`` that has the shape of ``value``, None if there is none."""
    options = kind.types if isinstance(kind, types.UnionType) else (kind,)
    for option in options:
        inner = option.type if isinstance(option, types.Metadata) else option
        if isinstance(inner, types.UnionType):
            if _branch(value, inner) is not None:
                return option
        elif _has_shape(value, inner):
            return option
    return None


def _has_shape(value: object, kind: types.Type) -> bool:
    match kind:
        case types.StructType() | types.DictType():
            return isinstance(value, dict)
        case types.ListType() | types.TupleType() | types.VarTupleType():
            return isinstance(value, list)
        case types.BoolType():
            return isinstance(value, bool)
        case types.IntType():
            return isinstance(value, int) and not isinstance(value, bool)
        case types.DecimalType() | types.FloatType():
            return isinstance(value, int | Decimal) and not isinstance(value, bool)
        case types.StrType():
            return isinstance(value, str)
        case types.LiteralType(values=values):
            return type(value) in {type(allowed) for allowed in values}
        case types.AnyType() | types.CustomType(cls=builtins.object):
            return True  # what a dialect's options may be, its own table says
    return False


def _check_struct(value: Any, kind: types.StructType, path: Path, complaints: Complaints) -> None:
    fields = {field.encode_name: field for field in kind.fields}
    for key, item in value.items():
        if key in fields:
            check_value(item, fields[key].type, (*path, key), complaints)
        else:
            what = unit_mixup(key, item, fields) or f"unknown key {key!r}" + did_you_mean(
                key, fields
            )
            complaints.problem((*path, key), what)
    for key, field in fields.items():
        if field.required and key not in value:
            complaints.problem(path, f"{key!r} is missing{_purpose(field.type)}")


def _purpose(kind: types.Type) -> str:
    schema = kind.extra_json_schema if isinstance(kind, types.Metadata) else None
    return f": {schema['description']}" if schema and "description" in schema else ""


def _check_dict(value: Any, kind: types.DictType, path: Path, complaints: Complaints) -> None:
    for key, item in value.items():
        what = bad_name(key)
        if what and not isinstance(kind.value_type, types.AnyType):
            complaints.problem((*path, key), what)
        check_value(item, kind.value_type, (*path, key), complaints)


def bad_name(name: str) -> str | None:
    """Say what is wrong with a name of a channel, laser, transition..., or None.

    Names appear in paths of this file and of the trace, so dots and slashes are refused.
    """
    plain = name.replace("_", "a").replace("-", "a").replace("+", "a")
    if not name or not plain.isalnum() or not name.isprintable():
        return f"{name!r} cannot be a name: letters, digits, '_', '-' and '+' can"
    if len(name.encode()) > NAME_LENGTH:
        return f"{name!r} is too long for a name: {NAME_LENGTH} bytes at most"
    return None


def _check_list(
    value: Any,
    kind: types.ListType | types.TupleType | types.VarTupleType,
    path: Path,
    complaints: Complaints,
) -> None:
    if isinstance(kind, types.TupleType):
        items = kind.item_types
        if len(value) != len(items):
            what = f"{len(value)} values; {describe(kind)} is meant"
            complaints.problem(path, what)
            return
    else:
        items = (kind.item_type,) * len(value)
    for index, (item, item_kind) in enumerate(zip(value, items, strict=True)):
        check_value(item, item_kind, (*path, index), complaints)


def _check_scalar(value: object, kind: types.Type, path: Path, complaints: Complaints) -> None:
    if isinstance(kind, types.LiteralType) and value not in kind.values:
        known = [str(option) for option in kind.values]
        near = did_you_mean(value, known) if isinstance(value, str) else ""
        hint = near if near.startswith(", did") else ""
        what = f"{_shown(value)}; {describe(kind)} is meant{hint}"
        complaints.problem(path, what)
    elif isinstance(value, int | Decimal) and not isinstance(value, bool):
        unusable = unusable_number(value)
        if unusable:
            complaints.problem(path, unusable)


def describe(kind: types.Type) -> str:
    """Return what a kind of value is in words: "a number", "'+' or '-'", "a table"."""
    match kind:
        case types.Metadata(type=inner):
            return describe(inner)
        case types.UnionType(types=options):
            words = [describe(option) for option in options]
            if "a number" in words and "a whole number" in words:
                words.remove("a whole number")
            shown = [word for word in dict.fromkeys(words) if word]
            return " or ".join(shown)
        case types.LiteralType(values=values):
            return "one of " + ", ".join(_literal(option) for option in values)
        case types.TupleType(item_types=items):
            return f"a list of {len(items)} ({', '.join(describe(item) for item in items)})"
        case types.ListType(item_type=item) | types.VarTupleType(item_type=item):
            return f"a list ({describe(item)} each)"
    return _WORDS.get(type(kind), "")


_WORDS: Mapping[type, str] = {
    types.StructType: "a table",
    types.DictType: "a table",
    types.BoolType: "true or false",
    types.IntType: "a whole number",
    types.DecimalType: "a number",
    types.FloatType: "a number",
    types.StrType: "text in quotes",
    types.AnyType: "anything",
}


def _literal(value: object) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value)


def _shown(value: object) -> str:
    """Return a value as the file's owner would recognise it, with what it is."""
    match value:
        case bool():
            return f"{str(value).lower()} is true or false"
        case str():
            short = value if len(value) <= 40 else value[:37] + "..."
            return f"{short!r} is text"
        case int():
            return (
                f"{str(value)[:40]} is a whole number" if abs(value) < 10**40 else "a huge number"
            )
        case Decimal():
            return f"{str(value)[:40]} is a number"
        case list():
            return "this is a list"
        case dict():
            return "this is a table"
        case date() | time():
            return f"{value.isoformat()} is a date or time (write it in quotes)"
    return f"{value!r} is something else"
