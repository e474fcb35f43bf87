"""Published transitions: one row per published value, with its source and how sure we are.

The package's own rows are in ``transitions.toml``; a lab adds its own in the same form, with a
source. Where values disagree each is a row of its own and one of them is the default. A row whose
uncertainty is not known says so by None: whoever uses it must state one.
"""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from importlib import resources
from typing import Any

from labref.model.errors import InputError
from labref.model.exact import exact, exact_text


class Verified(StrEnum):
    """How sure we are that a row says what its source says."""

    SEEN = "seen"  # in the source itself or in a public copy of it
    COMPUTED = "computed"  # composed of, or reproduced from, such values
    MEMORY = "memory"  # not confirmed


@dataclass(frozen=True, slots=True)
class Level:
    """Decay rate and g-factor of a level: ``linewidth_hz`` is the rate / 2 pi in Hz."""

    species: str
    level: str
    linewidth_hz: float
    source: str
    verified: Verified
    default: bool = True
    lifetime_s: float | None = None
    lifetime_u_s: float | None = None
    g: float | None = None
    g_source: str = ""


@dataclass(frozen=True, slots=True)
class Transition:
    """One published value of one named component.

    ``frequency_hz`` exact; ``uncertainty_hz`` one sigma, None where it is not known. ``lower``
    and ``upper`` are term symbols (``2S1/2``), ``lower_f`` and ``upper_f`` hyperfine levels where
    the component names them. ``lists`` says what the frequency is where it is not simply the
    laser's: half, double or difference (rule M6).
    """

    species: str
    line: str
    transition: str
    component: str
    frequency_hz: Fraction
    uncertainty_hz: float | None
    source: str
    verified: Verified
    year: int | None = None
    default: bool = False
    linewidth_hz: float | None = None
    lower: str = ""
    upper: str = ""
    lower_f: str = ""
    upper_f: str = ""
    lists: str = "laser"
    note: str = ""

    @property
    def name(self) -> str:
        """How a lab file names the line: ``40Ca+ 729``."""
        return f"{self.species} {self.line}"

    def label(self) -> str:
        """Name, component, year: enough to tell it from the other rows."""
        year = f" ({self.year})" if self.year is not None else ""
        return f"{self.name}, {self.component}{year}, {self.source}"

    def as_dict(self) -> dict[str, object]:
        """Plain values for JSON; the frequency as exact decimal text."""
        return {
            "species": self.species,
            "line": self.line,
            "transition": self.transition,
            "component": self.component,
            "frequency_hz": exact_text(self.frequency_hz),
            "uncertainty_hz": self.uncertainty_hz,
            "linewidth_hz": self.linewidth_hz,
            "year": self.year,
            "source": self.source,
            "verified": self.verified.value,
            "default": self.default,
            "lists": self.lists,
            "note": self.note,
        }


@dataclass(frozen=True, slots=True)
class Catalogue:
    """Rows of transitions and levels; a lab's own rows are added with :meth:`plus`."""

    transitions: tuple[Transition, ...]
    levels: tuple[Level, ...] = ()

    def plus(self, rows: Iterable[Transition]) -> Catalogue:
        """Return a catalogue with more rows; a default among them replaces the former default."""
        added = tuple(rows)
        taken = {row.name for row in added if row.default}
        kept = tuple(
            _without_default(row) if row.name in taken else row for row in self.transitions
        )
        return Catalogue(kept + added, self.levels)

    def find(self, pattern: str = "") -> tuple[Transition, ...]:
        """All rows in which every word of ``pattern`` occurs, case aside; defaults first."""
        words = pattern.casefold().split()
        rows = [row for row in self.transitions if all(word in _text(row) for word in words)]
        return tuple(sorted(rows, key=lambda row: (row.name, not row.default, -(row.year or 0))))

    def get(
        self,
        name: str,
        *,
        component: str | None = None,
        year: int | None = None,
        source: str | None = None,
    ) -> Transition:
        """Return one row: the default of ``40Ca+ 729``, or the one that the other words select.

        ``component`` and ``source`` may be any part of the row's text. Raises InputError, naming
        what there is, unless exactly one row (or one default) fits.
        """
        rows = [row for row in self.transitions if row.name == " ".join(name.split())]
        if not rows:
            raise InputError(f"no transition {name!r}: {_near(self.transitions, name)}")
        chosen = [row for row in rows if _fits(row, component, year, source)]
        if len(chosen) > 1:
            chosen = [row for row in chosen if row.default] or chosen
        if len(chosen) != 1:
            listed = "; ".join(row.label() for row in rows)
            raise InputError(f"{name}: {len(chosen)} rows fit; there are: {listed}")
        return chosen[0]

    def level(self, species: str, level: str) -> Level | None:
        """The default row of a level, None where nothing is known."""
        rows = [row for row in self.levels if (row.species, row.level) == (species, level)]
        return next((row for row in rows if row.default), None)


@functools.cache
def catalogue() -> Catalogue:
    """The package's own catalogue."""
    text = resources.files("labref.frequency").joinpath("transitions.toml").read_text("utf-8")
    tables = tomllib.loads(text, parse_float=Decimal)
    levels = tuple(_level(table) for table in tables["level"])
    widths = {(row.species, row.level): row.linewidth_hz for row in levels if row.default}
    rows = tuple(from_table(table, widths) for table in tables["transition"])
    return Catalogue(rows, levels)


def find(pattern: str = "") -> tuple[Transition, ...]:
    """Rows of the package's catalogue in which every word of ``pattern`` occurs."""
    return catalogue().find(pattern)


def get(
    name: str,
    *,
    component: str | None = None,
    year: int | None = None,
    source: str | None = None,
) -> Transition:
    """Return one row of the package's catalogue; see :meth:`Catalogue.get`."""
    return catalogue().get(name, component=component, year=year, source=source)


def from_table(
    table: Mapping[str, Any], widths: Mapping[tuple[str, str], float] | None = None
) -> Transition:
    """Return a transition from a TOML table; raises InputError naming the key.

    ``frequency_hz`` is text, Decimal or int (never a float); ``source`` is mandatory.
    """
    fields = dict(table)
    unknown = sorted(set(fields) - set(Transition.__slots__))
    if unknown:
        raise InputError(f"transition: unknown key {', '.join(unknown)}")
    missing = [key for key in ("species", "line", "frequency_hz", "source") if not fields.get(key)]
    if missing:
        raise InputError(f"transition {fields.get('line', '')}: {', '.join(missing)} is missing")
    fields["frequency_hz"] = exact(fields["frequency_hz"])
    fields["verified"] = _verified(fields.get("verified", "memory"))
    for key in ("uncertainty_hz", "linewidth_hz"):
        value = fields.get(key)
        fields[key] = None if value is None else _positive(key, value)
    if fields["linewidth_hz"] is None and widths is not None:
        fields["linewidth_hz"] = widths.get((fields["species"], fields.get("upper", "")))
    return Transition(**{"transition": "", "component": "", **fields})


def _level(table: Mapping[str, Any]) -> Level:
    fields: dict[str, Any] = {
        key: float(value) if isinstance(value, Decimal) else value for key, value in table.items()
    }
    fields["verified"] = _verified(fields["verified"])
    return Level(**fields)


def _verified(text: str) -> Verified:
    try:
        return Verified(text)
    except ValueError:
        raise InputError(f"verified is seen, computed or memory, not {text!r}") from None


def _positive(key: str, value: Any) -> float:
    number = float(value)
    if not 0 < number < float("inf"):
        raise InputError(f"transition: {key} is a positive number of Hz, not {value}")
    return number


def _fits(row: Transition, component: str | None, year: int | None, source: str | None) -> bool:
    return (
        (component is None or component.casefold() in row.component.casefold())
        and (year is None or row.year == year)
        and (source is None or source.casefold() in row.source.casefold())
    )


def _text(row: Transition) -> str:
    parts = (row.name, row.transition, row.component, str(row.year or ""), row.source)
    return " ".join(parts).casefold()


def _near(rows: Iterable[Transition], name: str) -> str:
    words = name.casefold().split()
    names = sorted({row.name for row in rows})
    near = [n for n in names if any(word in n.casefold() for word in words)] or names
    return f"there is {', '.join(near)}"


def _without_default(row: Transition) -> Transition:
    return replace(row, default=False)
