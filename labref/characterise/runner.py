"""Carrying out a plan: part by part, resumed after an interruption, on although one fails."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from labref.characterise import deviation, hat, wavemeter
from labref.characterise.outcome import Outcome, outcome_from
from labref.characterise.plan import Part
from labref.characterise.sources import Bench
from labref.model.errors import LabrefError

Carry = Callable[[Bench, str, Part], Outcome]
_HOW: dict[str, Carry] = {
    "laser": deviation.carry_out,
    "references": deviation.carry_out,
    "gnss": deviation.carry_out,
    "counter_floor": deviation.carry_out,
    "hat": hat.carry_out,
    "wavemeter": wavemeter.carry_out,
}


def run(bench: Bench, out: Path) -> Iterator[tuple[Outcome, bool]]:
    """Yield each part's outcome, and whether it was there already from an earlier run.

    ``out`` holds ``plan.json``, ``parts/NAME.json`` and ``offers/NAME.json``, each written whole,
    then renamed. A part whose readings, lab and table are as they were is not done again.
    """
    _write(out / "plan.json", {"title": bench.plan.title, "parts": list(bench.plan.parts)})
    for name, part in bench.plan.parts.items():
        path = out / "parts" / f"{name}.json"
        try:
            key = bench.key(part)
        except (LabrefError, OSError) as why:
            yield _keep(path, Outcome(name, part.kind, part.title, broken=str(why))), False
            continue
        before = _before(path)
        if before is not None and before.key == key and not before.broken:
            yield before, True
            continue
        outcome = _carry_out(bench, name, part, key)
        _keep(path, outcome)
        if outcome.offer is not None:
            _write(out / "offers" / f"{outcome.offer['name']}.json", outcome.offer)
        yield outcome, False


def _carry_out(bench: Bench, name: str, part: Part, key: str) -> Outcome:
    from dataclasses import replace

    try:
        return replace(_HOW[part.kind](bench, name, part), key=key)
    except (LabrefError, OSError) as why:
        return Outcome(name, part.kind, part.title, broken=str(why), key=key)
    except Exception as why:  # noqa: BLE001 - one part that fails does not stop the others
        return Outcome(name, part.kind, part.title, broken=f"defect: {why!r}", key=key)


def _before(path: Path) -> Outcome | None:
    """What an earlier run found; None where there is nothing that can be read."""
    try:
        return outcome_from(json.loads(path.read_text("utf-8")))
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def _keep(path: Path, outcome: Outcome) -> Outcome:
    _write(path, outcome.as_values())
    return outcome


def _write(path: Path, values: dict[str, Any]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    fresh = path.with_name(f".{path.name}.tmp")
    fresh.write_text(json.dumps(values, indent=1) + "\n", encoding="utf-8")
    fresh.replace(path)
