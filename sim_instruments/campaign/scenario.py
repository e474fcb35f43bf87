"""The scenario file of a campaign: checked, with exact frequencies."""

import tomllib
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from importlib import resources
from pathlib import Path
from typing import Any

from sim_instruments.campaign.kinds import KINDS

_FAULT_KEYS = {"kind", "targets", "per_day", "for_s", "amount", "signed"}


class CampaignError(ValueError):
    """A scenario that cannot be run; says where and why."""


@dataclass(frozen=True)
class LaserRow:
    """One laser: numbers at the tap exact, limits as detunings at the atoms, Hz."""

    name: str
    transition: str
    mode: int
    beat_hz: int
    harmonic: int
    held: str
    limits_hz: tuple[float, float]
    forbidden_hz: tuple[tuple[float, float], ...]
    target_u_hz: float
    noise_hz: float
    count_sigma_hz: float
    amplifier: bool
    drift_hz_per_s: float
    drift_walk_hz_per_s: float
    walk_hz: float

    @property
    def half_width_hz(self) -> float:
        """Half the distance between the outermost limits, Hz at the atoms."""
        return (self.limits_hz[1] - self.limits_hz[0]) / 2

    @property
    def relocks(self) -> bool:
        """Whether it has a lock that can be lost and a piezo to find it."""
        return self.held == "comb"


@dataclass(frozen=True)
class Ranges:
    """One row of faults: what may happen to whom, how often, how long, how much."""

    kind: str
    targets: tuple[str, ...]
    per_day: float
    for_s: tuple[float, float]
    amount: tuple[float, float]
    signed: bool


@dataclass(frozen=True)
class Scenario:
    """A parsed scenario. ``tables``: the rest of the file as written."""

    name: str
    title: str
    start_ns: int
    f_rep_hz: int
    f_ceo_hz: int
    lasers: tuple[LaserRow, ...]
    faults: tuple[Ranges, ...]
    tables: dict[str, Any]

    def number(self, table: str, key: str) -> float:
        """A number of one of the other tables."""
        return float(self.tables[table][key])

    def pair(self, table: str, key: str) -> tuple[float, float]:
        """A range of one of the other tables."""
        low, high = self.tables[table][key]
        return float(low), float(high)


def shipped() -> str:
    """The name of the scenario that comes with the package."""
    return "ca_ion"


def load(name_or_file: str) -> Scenario:
    """Read a scenario by its shipped name or from a file; CampaignError when it cannot."""
    if name_or_file == shipped():
        text = resources.files(__package__).joinpath(f"{shipped()}.toml").read_text("utf-8")
    elif Path(name_or_file).is_file():
        text = Path(name_or_file).read_text("utf-8")
    else:
        raise CampaignError(f"{name_or_file}: no such scenario file (shipped: {shipped()})")
    try:
        return _parsed(Path(name_or_file).stem, tomllib.loads(text, parse_float=Decimal))
    except tomllib.TOMLDecodeError as error:
        raise CampaignError(f"{name_or_file}: {error}") from error
    except KeyError as error:
        raise CampaignError(f"{name_or_file}: key {error} is missing") from error
    except (TypeError, ValueError) as error:
        raise CampaignError(f"{name_or_file}: {error}") from error


def _parsed(name: str, tables: dict[str, Any]) -> Scenario:
    start = datetime.fromisoformat(tables["start"])
    if start.tzinfo is None:
        raise ValueError("start: a time with its zone, such as 2026-11-02T08:00:00Z")
    comb = tables["comb"]
    return Scenario(
        name,
        str(tables["title"]),
        int(start.timestamp()) * 10**9,
        int(comb["f_rep_hz"]),
        int(comb["f_ceo_hz"]),
        tuple(_laser(key, row) for key, row in tables["laser"].items()),
        tuple(_ranges(index, row) for index, row in enumerate(tables["fault"], start=1)),
        tables,
    )


def _laser(name: str, row: dict[str, Any]) -> LaserRow:
    if row["held"] not in ("comb", "cavity"):
        raise ValueError(f"laser.{name}.held: {row['held']!r} is neither 'comb' nor 'cavity'")
    low, high = row["limits_hz"]
    return LaserRow(
        name=name,
        transition=str(row["transition"]),
        mode=int(row["mode"]),
        beat_hz=int(row["beat_hz"]),
        harmonic=int(row["harmonic"]),
        held=str(row["held"]),
        limits_hz=(float(low), float(high)),
        forbidden_hz=tuple((float(a), float(b)) for a, b in row.get("forbidden_hz", ())),
        target_u_hz=float(row["target_u_hz"]),
        noise_hz=float(row["noise_hz"]),
        count_sigma_hz=float(row["count_sigma_hz"]),
        amplifier=bool(row.get("amplifier", False)),
        drift_hz_per_s=float(row.get("drift_hz_per_s", 0)),
        drift_walk_hz_per_s=float(row.get("drift_walk_hz_per_s", 0)),
        walk_hz=float(row.get("walk_hz", 0)),
    )


def _ranges(index: int, row: dict[str, Any]) -> Ranges:
    where = f"fault {index}"
    unknown = sorted(set(row) - _FAULT_KEYS)
    if unknown:
        raise ValueError(f"{where}: unknown key {unknown[0]!r}; known are {sorted(_FAULT_KEYS)}")
    kind = str(row["kind"])
    if kind not in KINDS:
        raise ValueError(f"{where}: unknown kind {kind!r}; known are {', '.join(KINDS)}")
    pairs = {key: (float(row[key][0]), float(row[key][1])) for key in ("for_s", "amount")}
    for key, (low, high) in pairs.items():
        if not 0 < low <= high:
            raise ValueError(f"{where} ({kind}): {key} is [smallest, largest], both positive")
    targets = tuple(str(target) for target in row["targets"])
    if not targets:
        raise ValueError(f"{where} ({kind}): targets is empty")
    return Ranges(
        kind, targets, float(row["per_day"]), **pairs, signed=bool(row.get("signed", True))
    )
