"""A plan: where readings come from, and the parts to carry out on them.

    labref_plan = 1
    title = "..."
    lab = "lab.toml"              # only where a part names lasers of a lab file
    [sources.night]
    trace = "night/trace"         # or file = "phase.txt", rate_hz = 1, data = "phase"
    [parts.clock]
    kind = "laser"                # laser, references, gnss, counter_floor, hat, wavemeter
    source = "night"
    channel = "clock729"
    at_most = [[1, 5e-12]]        # deviation: (tau in s, limit)

Paths are relative to the plan's folder, or else to the working directory, and may be patterns
that match exactly one thing.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Literal

import msgspec

from labref.model.errors import InputError

PLAN_VERSION = 1
Kind = Literal["laser", "references", "gnss", "counter_floor", "hat", "wavemeter"]


class Source(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """``[sources.NAME]``: a ``trace``, a text ``file``, or ``live``: recorded by this run."""

    trace: str | None = None
    file: str | None = None
    live: bool = False
    rate_hz: float | None = None
    times: bool = False
    column: int | None = None
    data: Literal["phase", "frequency", "offset"] = "frequency"
    nominal_hz: str | None = None


class Part(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """``[parts.NAME]``: one measurement and what it has to keep.

    ``at_most``: (tau in s, largest deviation). ``drift_per_day``, ``offset``: largest size,
    fractional. ``available``: least share of usable gates. ``noise``: exponents of the power
    laws that may be there. ``model``: name of the fitted reference that planning may use.
    hat: ``lasers`` (three or more, of the lab file), or ``differences`` as [first, second,
    channel], declared free of the comb. wavemeter: ``channel`` (the wavemeter's), ``laser``, and
    perhaps ``temperature`` (a channel); ``offset_hz`` and ``scatter_hz`` are its largest sizes.
    """

    kind: Kind
    source: str
    title: str = ""
    channel: str | None = None
    statistic: str = "oadev"
    taus: str | list[float] | None = None
    masks: list[str] = []
    at_most: list[tuple[float, float]] = []
    drift_per_day: float | None = None
    offset: float | None = None
    available: float | None = None
    noise: list[int] | None = None
    model: str | None = None
    lasers: list[str] = []
    differences: list[tuple[str, str, str]] = []
    laser: str | None = None
    temperature: str | None = None
    offset_hz: float | None = None
    scatter_hz: float | None = None
    valid_for_s: float = 86_400.0


class Plan(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The whole file; ``duration_s`` is how long ``live`` sources are recorded."""

    labref_plan: int
    title: str = ""
    lab: str | None = None
    duration_s: float = 36_000.0
    taus: str | list[float] = "octave"
    confidence: float = 0.683
    sources: dict[str, Source]
    parts: dict[str, Part]


def load_plan(path: Path, *, has_lab: bool = False) -> Plan:
    """Read a plan; ``has_lab``: a lab is given beside it. Raises InputError naming table and key.

    A nightly plan of a lab file has that lab, and its live sources are the session's own trace.
    """
    try:
        table = tomllib.loads(path.read_text("utf-8"))
    except OSError as wrong:
        raise InputError(f"{path}: cannot be read: {wrong.strerror}") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as wrong:
        raise InputError(f"{path}: {wrong}") from None
    try:
        plan = msgspec.convert(table, Plan)
    except msgspec.ValidationError as wrong:
        raise InputError(f"{path}: {wrong}") from None
    if plan.labref_plan != PLAN_VERSION:
        raise InputError(f"{path}: labref_plan = {PLAN_VERSION} is meant, not {plan.labref_plan}")
    if not plan.parts:
        raise InputError(f"{path}: parts: a plan needs at least one [parts.NAME]")
    if not 0.0 < plan.confidence < 1.0:
        raise InputError(f"{path}: confidence: {plan.confidence} must lie between 0 and 1")
    for name, source in plan.sources.items():
        if (source.trace is not None) + (source.file is not None) + source.live != 1:
            raise InputError(
                f"{path}: sources.{name}: give exactly one of trace, file or live = true"
            )
        if source.live and plan.lab is None and not has_lab:
            raise InputError(f'{path}: sources.{name}: live needs lab = "LAB.toml" at the top')
    for name, part in plan.parts.items():
        problem = _problem(plan, name, part, has_lab or plan.lab is not None)
        if problem:
            raise InputError(f"{path}: parts.{name}: {problem}")
    return plan


def _problem(plan: Plan, name: str, part: Part, has_lab: bool) -> str:
    if not name or "/" in name or name.startswith("."):
        return "a part's name is also a file name: letters, digits, '_' and '-'"
    if part.source not in plan.sources:
        return f"source {part.source!r} is not one of: {', '.join(plan.sources) or 'none'}"
    if part.kind == "hat":
        if bool(part.lasers) == bool(part.differences):
            return "a hat has either lasers (of the lab file) or differences"
        if part.lasers and (not has_lab or len(part.lasers) < 3):
            return 'a hat of lasers needs three of them, and lab = "LAB.toml" at the top'
    if part.kind == "wavemeter" and (not has_lab or not part.laser or not part.channel):
        return 'a wavemeter needs channel, laser, and lab = "LAB.toml" at the top'
    return ""


def found_path(folder: Path, pattern: str) -> Path:
    """Return the one path that ``pattern`` means: in ``folder``, else in the working directory.

    Raises InputError where it matches nothing or more than one.
    """
    plain = Path(pattern)
    for base in (folder, Path()):
        if (base / plain).exists():
            return base / plain
        root, rest = base, plain
        if plain.anchor:
            root, rest = Path(plain.anchor), plain.relative_to(plain.anchor)
        matches = sorted(root.glob(str(rest)))
        if len(matches) == 1:
            return matches[0]
        if matches:
            raise InputError(
                f"{pattern!r} under {root} matches {len(matches)} paths; exactly one is meant"
            )
    raise InputError(
        f"{pattern!r} matches nothing, neither in the plan's folder {folder} nor in the working "
        "directory"
    )
