"""Parts of references: tables of four entries with sources, read and checked.

A table comes from ``parts.toml`` or from a file of the form described in `labref.planning.offers`.
At a carrier (`Part.at`) absolute entries become fractional ones.
"""

from __future__ import annotations

import functools
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from importlib import resources
from typing import Any

from labref.model.errors import InputError
from labref.planning.entries import Curve, Entries, curve

PARTS = ("laser", "prestabilisation", "anchor", "transfer", "loop", "whole")
ENTRIES = ("accuracy", "drift", "sigma_y", "s_nu")
_TEXTS = {"part", "title", "range", "source", "coherent_reason"}
_NUMBERS = {"bandwidth_hz", "lines_wider_than_hz", "lines_narrower_than_hz"}
_KEYS = {*_TEXTS, *_NUMBERS, *ENTRIES, "coherent", "species", "effort"}
_ENTRY_KEYS = {
    "accuracy": {"u", "u_hz", "u_linewidths"},
    "drift": {"per_s", "per_s_hz", "u_per_s"},
    "sigma_y": {"tau_s", "value", "value_hz", "upper", "lower", "statistic"},
    "s_nu": {"f_hz", "value", "nominal_hz"},
}


@dataclass(frozen=True)
class Part:
    """One part as its table says; entries that are absent are unknown.

    Attributes:
        scale: factors on single numbers, 'accuracy', 'drift', 'sigma_y', 's_nu', 'bandwidth':
            how a what-if is asked.
    """

    name: str
    table: Mapping[str, Any]
    scale: Mapping[str, float] = field(default_factory=dict)

    @property
    def kind(self) -> str:
        """Which kind of part."""
        return str(self.table["part"])

    @property
    def title(self) -> str:
        """What it is, in words."""
        return str(self.table.get("title", self.name))

    @property
    def is_coherent(self) -> bool:
        """Whether its light may carry coherent pulses."""
        return bool(self.table.get("coherent", True))

    @property
    def bandwidth_hz(self) -> float:
        """Unity-gain frequency of the lock, Hz."""
        return float(self.table.get("bandwidth_hz", 0.0)) * self.scale.get("bandwidth", 1.0)

    @property
    def effort(self) -> float:
        """Place in the order of simplicity: parts + alignment + expertise."""
        found = self.table.get("effort", 0)
        return float(sum(found.values())) if isinstance(found, Mapping) else float(found)

    def scaled(self, entry: str, factor: float) -> Part:
        """Return the part with one entry multiplied."""
        return replace(self, scale={**self.scale, entry: self.scale.get(entry, 1.0) * factor})

    def serves(self, species: str, linewidth_hz: float | None) -> str:
        """Why it cannot serve this line; empty where it can."""
        known = self.table.get("species")
        if known is not None and species not in known:
            return f"{self.title}: not for {species or 'a line without species'}"
        wide = self.table.get("lines_wider_than_hz")
        narrow = self.table.get("lines_narrower_than_hz")
        if wide is None and narrow is None:
            return ""
        if linewidth_hz is None:
            return f"{self.title}: the linewidth of this line is not known"
        if wide is not None and linewidth_hz < wide:
            return f"{self.title}: the line is too narrow"
        return f"{self.title}: the line is too wide" if narrow and linewidth_hz > narrow else ""

    def sources(self) -> dict[str, str]:
        """Source of each entry; unknown entries say so."""
        general = str(self.table.get("source", ""))
        return {
            key: str(self.table.get(key, {}).get("source", general)) or "no source"
            if self._known(key)
            else f"unknown: {self.table.get(key, {}).get('source', 'not given')}"
            for key in ENTRIES
        }

    def _known(self, key: str) -> bool:
        return key in self.table and bool(self.table[key].get("known", True))

    def at(self, nu_hz: float, linewidth_hz: float | None = None) -> Entries:
        """Return its four entries at a carrier."""
        return Entries(
            nu_hz, self._u(nu_hz, linewidth_hz), self._drift(nu_hz), self._sigma(nu_hz),
            self._noise(nu_hz),
        )  # fmt: skip

    def _u(self, nu_hz: float, linewidth_hz: float | None) -> float | None:
        if not self._known("accuracy"):
            return None
        entry, factor = self.table["accuracy"], self.scale.get("accuracy", 1.0)
        if "u_linewidths" in entry:
            if linewidth_hz is None:
                return None
            return float(entry["u_linewidths"]) * linewidth_hz / nu_hz * factor
        return _fractional(entry, "u", nu_hz) * factor

    def _drift(self, nu_hz: float) -> float | None:
        if not self._known("drift"):
            return None
        entry = self.table["drift"]
        size = abs(_fractional({"per_s": entry.get("per_s", 0), **entry}, "per_s", nu_hz))
        return (size + 3.0 * float(entry.get("u_per_s", 0.0))) * self.scale.get("drift", 1.0)

    def _sigma(self, nu_hz: float) -> Curve | None:
        if not self._known("sigma_y"):
            return None
        entry, factor = self.table["sigma_y"], self.scale.get("sigma_y", 1.0)
        absolute = "value_hz" in entry
        values = entry["value_hz"] if absolute else entry.get("upper", entry["value"])
        found = curve(_floats(entry["tau_s"]), _floats(values), f"{self.name}: sigma_y")
        return found.times(factor / (nu_hz if absolute else 1.0))

    def _noise(self, nu_hz: float) -> Curve | None:
        if not self._known("s_nu"):
            return None
        entry = self.table["s_nu"]
        nominal = entry.get("nominal_hz", self.table.get("nominal_hz"))
        factor = 1.0 if nominal is None else (nu_hz / float(nominal)) ** 2
        found = curve(_floats(entry["f_hz"]), _floats(entry["value"]), f"{self.name}: s_nu")
        return found.times(factor * self.scale.get("s_nu", 1.0))


def _fractional(entry: Mapping[str, Any], key: str, nu_hz: float) -> float:
    absolute = entry.get(f"{key}_hz")
    return float(entry[key]) if absolute is None else float(absolute) / nu_hz


def _floats(values: Any) -> list[float]:
    return [float(value) for value in values]


def part_of_table(name: str, table: Mapping[str, Any], also: frozenset[str] = frozenset()) -> Part:
    """Check a table and return it as a part; raises InputError naming table and key."""
    for key in table:
        if key not in _KEYS and key not in also:
            raise InputError(f"{name}: unknown key {key!r}; known: {', '.join(sorted(_KEYS))}")
    if table.get("part") not in PARTS:
        raise InputError(f"{name}: part is one of {', '.join(PARTS)}, not {table.get('part')!r}")
    for key in ENTRIES:
        if key in table:
            _check_entry(name, key, table[key])
    part = Part(name, table)
    try:
        # A linewidth is given so that every entry is looked at.
        light = part.at(4e14, 1e6)
        for number in (light.u, light.drift_per_s, part.bandwidth_hz, part.effort):
            if number is not None and not (math.isfinite(number) and number >= 0.0):
                raise InputError(f"{name}: {number!r} where a number of zero or more is meant")
        if not isinstance(table.get("species", []), list):
            raise InputError(f"{name}: species is a list such as ['87Rb']")
    except (KeyError, TypeError, AttributeError, ValueError, ArithmeticError) as error:
        raise InputError(f"{name}: an entry cannot be read: {error}") from None
    return part


def _check_entry(name: str, key: str, entry: object) -> None:
    if not isinstance(entry, Mapping):
        raise InputError(f"{name}: {key} is a table such as {key} = {{ source = '...' }}")
    for word in entry:
        if word not in _ENTRY_KEYS[key] | {"source", "known"}:
            meant = ", ".join(sorted(_ENTRY_KEYS[key]))
            raise InputError(f"{name}: {key}.{word} is unknown; known: {meant}, source, known")
    if entry.get("statistic", "oadev") not in {"adev", "oadev"}:
        raise InputError(
            f"{name}: sigma_y.statistic {entry['statistic']!r}: adev or oadev is meant"
        )


@functools.cache
def builtin_parts() -> Mapping[str, Part]:
    """The package's own parts, by name."""
    text = resources.files("labref.planning").joinpath("parts.toml").read_text("utf-8")
    return {name: part_of_table(name, table) for name, table in tomllib.loads(text).items()}
