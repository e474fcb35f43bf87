"""Scenario files: the lab and its faults as TOML, scaled to a length and seeded.

The format is described in ``scenarios/README.md``.
"""

import tomllib
from dataclasses import dataclass
from decimal import Decimal
from importlib import resources
from pathlib import Path
from typing import Any

from sim_instruments.fault_kinds import KINDS
from sim_instruments.faults import Fault, FaultList
from sim_instruments.randomness import stream

_OWN_KEYS = ("kind", "target", "at", "at_s", "for", "for_s", "jitter", "amount")


class ScenarioError(ValueError):
    """A scenario that cannot be run; says where and why."""


@dataclass(frozen=True)
class Scenario:
    """A parsed scenario: its name, its tables, its faults as written."""

    name: str
    tables: dict[str, Any]

    def faults(self, seconds: float, seed: int) -> FaultList:
        """Faults in s after the start for a run of this length and seed."""
        faults: list[Fault] = []
        for index, row in enumerate(self.tables.get("fault", [])):
            faults += _schedule(row, index, seconds, seed, self)
        return FaultList(faults)


def shipped() -> list[str]:
    """Names of the scenarios that come with the package."""
    folder = resources.files("sim_instruments").joinpath("scenarios")
    names = (file.name for file in folder.iterdir())
    return sorted(name.removesuffix(".toml") for name in names if name.endswith(".toml"))


def load(name_or_file: str) -> Scenario:
    """Read a scenario by its shipped name or from a file; ScenarioError when it cannot."""
    if "/" in name_or_file or name_or_file.endswith(".toml"):
        path = Path(name_or_file)
        if not path.is_file():
            raise ScenarioError(f"{name_or_file}: no such scenario file")
        text, name = path.read_text(encoding="utf-8"), path.stem
    else:
        file = resources.files("sim_instruments").joinpath("scenarios", f"{name_or_file}.toml")
        if not file.is_file():
            known = ", ".join(shipped())
            raise ScenarioError(f"no scenario {name_or_file!r}; shipped are: {known}")
        text, name = file.read_text(encoding="utf-8"), name_or_file
    try:
        return Scenario(name, tomllib.loads(text, parse_float=Decimal))
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError(f"{name_or_file}: {error}") from error


def _schedule(
    row: dict[str, Any], index: int, seconds: float, seed: int, scenario: Scenario
) -> list[Fault]:
    where = f"{scenario.name}: fault {index + 1}"
    kind = row.get("kind")
    if kind not in KINDS:
        raise ScenarioError(f"{where}: unknown kind {kind!r}; known are: {', '.join(KINDS)}")
    if "target" not in row:
        raise ScenarioError(f"{where} ({kind}): key 'target' is missing")
    moved = float(stream(seed, "fault", index, kind).uniform(-1.0, 1.0))
    start = _time(row, "at", seconds, where) + moved * float(row.get("jitter", 0)) * seconds
    lasts = _time(row, "for", seconds, where)
    options = {key: value for key, value in row.items() if key not in _OWN_KEYS}
    amount = float(row.get("amount", KINDS[kind].amount))
    return [
        Fault(kind, target, start, start + lasts + late, amount, options)
        for target, late in _targets(row["target"], kind, amount, index, seed, scenario)
    ]


def _targets(
    target: Any, kind: str, amount: float, index: int, seed: int, scenario: Scenario
) -> list[tuple[str, float]]:
    """Targets of a row (``"*"`` is every instrument) and how much later each recovers, s.

    After a power cut everything comes back in random order.
    """
    names = list(scenario.tables.get("instrument", {})) if target == "*" else target
    if isinstance(names, str):
        names = [names]
    rng = stream(seed, "return", index)
    late = [float(rng.uniform(0.0, amount)) if kind == "power_cut" else 0.0 for _ in names]
    return list(zip(map(str, names), late, strict=True))


def _time(row: dict[str, Any], key: str, seconds: float, where: str) -> float:
    if f"{key}_s" in row:
        return float(row[f"{key}_s"])
    if key in row:
        return float(row[key]) * seconds
    raise ScenarioError(f"{where}: give {key!r} (fraction of the run) or '{key}_s'")
