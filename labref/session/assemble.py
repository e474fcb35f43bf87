"""Put a session's parts together from a lab, its sources and its plugins."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from labref.actuation.base import Actuator
from labref.checks.alarms import Alarms, Shape
from labref.checks.base import Check
from labref.config.lab import Lab, LabTransition
from labref.config.schema import AlarmShapeTable, AlarmTable
from labref.model.errors import InputError
from labref.model.times import Clock, RealClock, seconds_to_ns
from labref.plugins import Plugins
from labref.session.announce import Announcer
from labref.session.causes import Causes
from labref.session.cycle import Parts
from labref.session.derive import Deriver
from labref.session.history import History
from labref.session.judge import Judge
from labref.session.people import FILE, People
from labref.session.recent import Recent
from labref.session.recording import Validity, layout_of
from labref.session.scatter import Scatter
from labref.session.sources import Reader, Source
from labref.session.standing import Standings

if TYPE_CHECKING:
    from labref.trace.live import TraceWriter

# Readings are kept for alignment this much longer than any lateness limit or hold.
SPARE_NS = 10_000_000_000
# So long may instruments take to connect before what is unknown raises an alarm.
STARTUP_NS = 20_000_000_000


def assemble(
    lab: Lab,
    sources: Sequence[Source],
    plugins: Plugins,
    clock: Clock,
    writer: TraceWriter | None,
    actuators: Sequence[Actuator] = (),
    folder: Path | None = None,
) -> Parts:
    """Return the parts of a pass. Raises InputError where a check or plugin is missing.

    ``actuators`` may bring checks of their own; they act only where the session lets them.
    """
    if not lab.transitions:
        raise InputError(f"{lab.file}: no [transitions.*]: there is nothing to watch")
    transitions = list(lab.transitions.values())
    checks = _checks(lab, plugins, actuators)
    return Parts(
        lab=lab,
        clock=clock,
        sources=list(sources),
        deriver=Deriver(transitions, lab.channels, _awaits(checks)),
        judge=Judge(checks, list(lab.transitions)),
        announcer=Announcer(plugins),
        standings=Standings(lab.transitions, clock),
        store=writer,
        causes=Causes(lab),
        people=People(lab, clock, None if folder is None else folder / FILE),
        readers=[source for source in sources if isinstance(source, Reader)],
        scatter={name: Scatter(c) for name, c in lab.channels.items() if c.is_fed},
        recent={name: Recent(name) for name, c in lab.channels.items() if c.is_fed},
        history={name: History() for name in lab.transitions},
        alarms={t.name: alarms_of(t, lab.alarms) for t in transitions},
        validity={t.name: Validity(t.gate_ns // 2) for t in transitions},
        keep_ns=_longest_wait_ns(lab) + SPARE_NS,
    )


def alarms_of(transition: LabTransition, table: AlarmTable) -> Alarms:
    """The alarm lines of one transition, shaped by the lab file: a kind stands before all else."""
    half_hz = transition.tolerance.half_width_hz
    own = [shape for shape in table.transitions if shape.transition == transition.name]
    shapes = {special.kind: _shape((table, *own, special), half_hz) for special in table.kinds}
    return Alarms(
        transition.name,
        startup_ns=STARTUP_NS,
        shapes=shapes,
        usual=_shape((table, *own), half_hz),
        tolerance=transition.tolerance,
    )


def _shape(tables: Sequence[AlarmTable | AlarmShapeTable], half_width_hz: float) -> Shape:
    """What the last table that says something says."""
    found: dict[str, Any] = {}
    for table in tables:
        for key in ("on_delay_s", "off_delay_s", "deadband", "latching", "priority"):
            if (value := getattr(table, key)) is not None:
                found[key] = value
    return Shape(
        seconds_to_ns(found["on_delay_s"]),
        seconds_to_ns(found["off_delay_s"]),
        found["latching"],
        float(found["deadband"]) * half_width_hz,
        found["priority"],
    )


def trace_writer(lab: Lab, folder: Path, clock: Clock, segment_s: float) -> TraceWriter:
    """Open a trace in ``folder``; h5py is loaded here and not before."""
    from labref.trace.live import TraceWriter

    # A live session makes its first segment now, not inside its first pass.
    start_ns = clock.now_ns() if isinstance(clock, RealClock) else None
    return TraceWriter(folder, layout_of(lab), clock=clock, segment_s=segment_s, start_ns=start_ns)


def _checks(lab: Lab, plugins: Plugins, actuators: Sequence[Actuator]) -> list[Check]:
    checks: list[Check] = []
    asked = plugins.ask("register_checks", lab=lab)
    for plugin, answers in [*asked, *((actuator.name, actuator.checks) for actuator in actuators)]:
        for check in answers:
            if not isinstance(check, Check):
                raise InputError(f"plugin {plugin!r}: {check!r} is not a check")
            unknown = sorted(set(check.channels) - set(lab.channels))
            if unknown:
                raise InputError(
                    f"plugin {plugin!r}: check {check.name!r} wants channel {unknown[0]!r}, "
                    "which the lab file does not have"
                )
            checks.append(check)
    return checks


def _awaits(checks: Sequence[Check]) -> dict[str, tuple[str, ...]]:
    """For each transition the channels for whose reading of a gate its checks wait."""
    found: dict[str, tuple[str, ...]] = {}
    for check in checks:
        names = tuple(getattr(check, "awaits", ()))
        found[check.transition] = tuple(dict.fromkeys((*found.get(check.transition, ()), *names)))
    return found


def _longest_wait_ns(lab: Lab) -> int:
    waits = [t.lateness_ns + 3 * t.gate_ns for t in lab.transitions.values()]
    holds = [c.hold_ns for c in lab.channels.values() if c.hold_ns is not None]
    return max([*waits, *holds], default=0)
