"""One night of a lab file's ``[nightly.NAME]``: from a trace to a line of the nights' record.

What a night says depends on the trace alone, not on when it is carried out, so a night that was
missed can be made up for.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from labref.characterise.nights import night as figures_of_transition
from labref.characterise.outcome import Outcome
from labref.characterise.plan import Plan, load_plan
from labref.characterise.record import (
    DEVIATION,
    DRIFT,
    MISSING,
    OFFSET,
    OFFSET_HZ,
    SCATTER,
    Row,
    add_row,
    changes,
    figure,
    judged,
    read_rows,
)
from labref.characterise.runner import run
from labref.characterise.sources import Bench
from labref.config.lab import Lab
from labref.config.nightly import NightlyTable
from labref.model.errors import InputError, TraceError
from labref.model.times import iso
from labref.trace.reader import Trace, open_trace

NO_READINGS = "no readings"
CHANGED, LIMIT = "outside its own history", "limit of the nightly plan not kept"
BROKEN = "part of the nightly plan not carried out"
# Availability is a share of time: what was missing is told no finer than this.
_LEAST_SHARE = 1e-6


def schedule_of(lab: Lab, name: str) -> NightlyTable:
    """One schedule of a lab. Raises InputError where there is none of that name."""
    if name not in lab.nightly:
        known = ", ".join(lab.nightly) or "none"
        raise InputError(f"{lab.file}: no [nightly.{name}]; there is {known}")
    return lab.nightly[name]


def plan_of(lab: Lab, schedule: NightlyTable) -> Plan | None:
    """The plan of a schedule, None where it has none.

    Raises InputError, also where a part on live readings names what the lab does not have.
    """
    if schedule.plan is None:
        return None
    path = _plan_path(lab, schedule)
    plan = load_plan(path, has_lab=True)
    series = {*lab.channels, *lab.transitions}
    for name, part in plan.parts.items():
        wanted = [(key, getattr(part, key), series) for key in ("channel", "temperature")]
        wanted += [("laser", laser, {*lab.lasers}) for laser in (part.laser, *part.lasers)]
        for key, value, known in wanted if plan.sources[part.source].live else ():
            if value is not None and value not in known:
                names = ", ".join(sorted(known))
                raise InputError(f"{path}: parts.{name}.{key}: {value!r} is not one of: {names}")
    return plan


def results_of(schedule: NightlyTable, name: str, trace: Path) -> Path:
    """The folder of a schedule's results."""
    return trace / schedule.results / name


def carry_out(lab: Lab, name: str, trace_path: Path, due_ns: int) -> Row:
    """Characterise the night that ended at ``due_ns`` and add it to the nights' record.

    Raises InputError, TraceError, OSError.
    """
    schedule = schedule_of(lab, name)
    if schedule.last_due_ns(due_ns) != due_ns:
        near = iso(schedule.last_due_ns(due_ns), 0)
        raise InputError(f"nightly {name}: no night ends at {iso(due_ns, 0)}; one ends at {near}")
    window = schedule.last_due_ns(due_ns - 1), due_ns
    plan = plan_of(lab, schedule)
    folder = results_of(schedule, name, trace_path)
    with open_trace(trace_path) as trace:
        figures = _of_transitions(trace, window)
    outcomes: list[Outcome] = []
    if figures and plan is not None:
        bench = Bench(plan, _plan_path(lab, schedule).parent, lab, trace_path, window)
        place = folder / iso(due_ns, 0).replace("-", "").replace(":", "")
        try:
            outcomes = [outcome for outcome, _ in run(bench, place)]
        finally:
            bench.close()
    for outcome in outcomes:
        figures.update(_of_part(outcome))
    row = _row(folder, schedule, due_ns, figures, outcomes)
    add_row(folder, row)
    return row


def _plan_path(lab: Lab, schedule: NightlyTable) -> Path:
    assert schedule.plan is not None
    return Path(lab.file).parent / schedule.plan


def _of_transitions(trace: Trace, window: tuple[int, int]) -> dict[str, float]:
    figures: dict[str, float] = {}
    if not _has_gates(trace):
        return figures
    for name in trace.transitions:
        found = figures_of_transition(trace, name, *window)
        if found is not None:
            figures |= figure(name, DEVIATION, found.sigma_y)
            figures |= figure(name, DRIFT, found.drift_per_day)
            figures |= figure(name, MISSING, max(1.0 - found.availability, _LEAST_SHARE))
    return figures


def _has_gates(trace: Trace) -> bool:
    try:
        return trace.stop_ns > trace.start_ns
    except TraceError:  # nothing is recorded yet
        return False


def _of_part(outcome: Outcome) -> Iterator[tuple[str, float]]:
    values, part = outcome.values, f"part {outcome.part}"
    yield from figure(part, DEVIATION, _first(values.get("deviation"))).items()
    yield from figure(part, DRIFT, values.get("drift", {}).get("per_day")).items()
    yield from figure(part, OFFSET, values.get("offset", {}).get("y")).items()
    yield from figure(part, OFFSET_HZ, values.get("offset_hz")).items()
    yield from figure(part, SCATTER, values.get("scatter_hz")).items()
    if outcome.kind == "hat":
        for laser, shares in values.items():
            variance = shares["Groslambert covariance"]["variance"][0]
            yield from figure(f"{part}, {laser}", DEVIATION, max(variance, 0.0) ** 0.5).items()


def _first(deviation: dict[str, Any] | None) -> float | None:
    return deviation["deviation"][0] if deviation and deviation["deviation"] else None


def _row(
    folder: Path,
    schedule: NightlyTable,
    due_ns: int,
    figures: dict[str, float],
    outcomes: Sequence[Outcome],
) -> Row:
    due = iso(due_ns, 0)
    before = [row for row in read_rows(folder) if row.due_ns < due_ns]
    if not figures:
        # Nothing is known anew: what stood goes on standing.
        stands = before[-1].raised if before else {}
        return Row(due_ns, due, NO_READINGS, raised=stands, compared=schedule.compare_nights)
    plain = Row(due_ns, due, "pass", figures, compared=schedule.compare_nights)
    changed = changes(judged([*before, plain])[-1])
    failed, broken = list(_failed(outcomes)), list(_broken(outcomes))
    states = {outcome.state for outcome in outcomes}
    state = next((word for word in ("fail", "cannot tell") if word in states), "pass")
    found = {CHANGED: changed, LIMIT: failed, BROKEN: broken}
    raised = {kind: tuple(lines) for kind, lines in found.items() if lines}
    return replace(plain, state=state, raised=raised)


def _failed(outcomes: Sequence[Outcome]) -> Iterator[str]:
    for outcome in outcomes:
        for line in outcome.lines:
            if line.state == "fail":
                limit = f"; {line.limit}" if line.limit else ""
                yield f"{outcome.part}: {line.what}: {line.value}{limit}"


def _broken(outcomes: Sequence[Outcome]) -> Iterator[str]:
    for outcome in outcomes:
        if outcome.broken:
            yield f"{outcome.part}: {outcome.broken}"
