"""From readings to frequencies at the atoms: compiled rows over aligned gates.

Transitions whose channels all come from one gate group share a bundle: while their gates line
up, one matrix product derives all of them. A bundle that falls out of step (a gap, a late
channel, another group) is derived transition by transition until it has caught up.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from labref.config.lab import LabTransition
from labref.frequency.equation import Equation, constant
from labref.frequency.matrix import Rows, compile_rows
from labref.model.channel import Channel, Role
from labref.model.exact import exact_text
from labref.model.flags import UNUSABLE, Flag
from labref.model.readings import Floats, Readings
from labref.model.verdict import Frequencies
from labref.session.align import Aligned, GatePlan, align, equal_gates, stack
from labref.session.asynchrony import NOT_SYNCHRONOUS_SHARE, extra_errors, mixed_factors
from labref.session.recent import Recent

NEVER_NS = -(2**62)
_WRITTEN = int(Flag.WRITTEN)


@dataclass
class Line:
    """One transition's way from readings to detuning, and how far it has got."""

    transition: LabTransition
    plan: GatePlan
    rows: Rows
    entering: tuple[Channel, ...]
    mixed: Floats
    nominal_text: str
    detuning_hz: float
    u_constant_hz: float
    cursor_ns: int = NEVER_NS
    done_ns: int = NEVER_NS

    @property
    def is_mixed(self) -> bool:
        """Whether its channels are weighted differently within a gate (M11)."""
        return bool(self.mixed.any())

    def frequencies(
        self,
        aligned: Aligned,
        flags: npt.NDArray[np.uint32],
        offset: Floats,
        errors: Floats,
        tap_offset: Floats,
    ) -> Frequencies:
        """Wrap derived numbers with the merged ``flags`` (n,) and move on."""
        self.cursor_ns = int(aligned.start_ns[-1])
        self.done_ns = int(aligned.stop_ns[-1])
        return Frequencies(
            self.transition.name,
            self.nominal_text,
            self.transition.equation.epoch,
            aligned.start_ns,
            aligned.stop_ns,
            offset,
            errors,
            flags,
            offset + self.detuning_hz,
            tap_offset,
            self.u_constant_hz,
        )


@dataclass
class Bundle:
    """Lines whose channels share one gate group and one matrix.

    Rows: first every line's frequency at its plane, then every line's at its tap.
    """

    lines: list[Line]
    plan: GatePlan
    rows: Rows
    squares: Floats
    uses: list[np.ndarray] = field(default_factory=list)


class Deriver:
    """Derives every transition of a lab. Keeps cursors; holds no readings itself."""

    def __init__(
        self,
        transitions: Sequence[LabTransition],
        channels: Mapping[str, Channel],
        awaits: Mapping[str, tuple[str, ...]] | None = None,
    ) -> None:
        waits = awaits or {}
        self.lines = [_line(t, channels, waits.get(t.name, ())) for t in transitions]
        self._bundles = _bundles(self.lines, channels)
        self._used_by: dict[str, list[Line]] = {}
        for line in self.lines:
            for name in (line.plan.base, *line.plan.others):
                self._used_by.setdefault(name, []).append(line)

    def is_late(self, readings: Readings) -> npt.NDArray[np.bool_] | None:
        """Bool (n,): readings whose gate was derived without them; None when none was (usual)."""
        lines = self._used_by.get(readings.channel)
        if not lines:
            return None
        done_ns = min(line.done_ns for line in lines)
        if int(readings.start_ns[0]) >= done_ns:
            return None
        late: npt.NDArray[np.bool_] = (readings.start_ns + readings.stop_ns) // 2 < done_ns
        return late if late.any() else None

    def derive(
        self,
        new: Mapping[str, Readings],
        recent: Mapping[str, Recent],
        now_ns: int,
    ) -> list[Frequencies]:
        """Return every block of frequencies that can be derived now."""
        results: list[Frequencies] = []
        for bundle in self._bundles:
            blocks = _in_step(bundle, new, recent)
            if blocks is not None:
                results += _derive_together(bundle, blocks)
                continue
            for line in bundle.lines:
                aligned = align(line.plan, recent, line.cursor_ns, now_ns)
                if aligned is not None:
                    results.append(_derive_alone(line, aligned))
        return results


def _in_step(
    bundle: Bundle, new: Mapping[str, Readings], recent: Mapping[str, Recent]
) -> list[Readings] | None:
    """This pass's blocks of all the bundle's channels, if they line up and nothing waits."""
    if bundle.plan.hold_ns or bundle.lines[0].is_mixed:
        return None
    blocks = []
    for name in bundle.plan.channels:
        block = new.get(name)
        if block is None:
            return None
        blocks.append(block)
    awaited = [new.get(name) for name in bundle.plan.awaits]
    if not equal_gates(blocks + [block for block in awaited if block is not None]):
        return None
    if any(block is None for block in awaited):
        return None
    begin = int(blocks[0].start_ns[0])
    half_gate = (int(blocks[0].stop_ns[0]) - begin) // 2
    for line in bundle.lines:
        # A gate that still waits lies between what is done and this block.
        follows = begin - half_gate <= line.done_ns <= begin
        first = line.done_ns == NEVER_NS and recent[line.plan.base].first_start_ns == begin
        if not (follows or first):
            return None
    return blocks


def _derive_together(bundle: Bundle, blocks: list[Readings]) -> list[Frequencies]:
    aligned = stack(blocks)
    offsets = bundle.rows.evaluate(aligned.offsets)
    count = len(bundle.lines)
    errors = np.sqrt(bundle.squares[:count] @ (aligned.errors * aligned.errors))
    if np.isnan(errors).any():
        errors = bundle.rows.counting_errors(aligned.errors)
    clean = bool((aligned.flags == _WRITTEN).all())
    results = []
    for i, line in enumerate(bundle.lines):
        offset, flags = offsets[i], aligned.flags[0]
        if not clean:
            offset, flags = _merged(offset, aligned.flags[bundle.uses[i]])
        results.append(line.frequencies(aligned, flags, offset, errors[i], offsets[count + i]))
    return results


def _merged(offset: Floats, flags: npt.NDArray[np.uint32]) -> tuple[Floats, npt.NDArray[np.uint32]]:
    """Offsets without what any channel's flag forbids, and all flags (k, n) as one row."""
    merged = np.bitwise_or.reduce(flags, axis=0)
    unusable = (merged & UNUSABLE) != 0
    return np.where(unusable, np.nan, offset), merged


def _derive_alone(line: Line, aligned: Aligned) -> Frequencies:
    offset, tap_offset = line.rows.evaluate(aligned.offsets)
    errors = line.rows.counting_errors(aligned.errors)[0]
    if line.is_mixed or (aligned.overlap is not None and (aligned.overlap < 1).any()):
        weights = line.rows.coefficients[0]
        extra = extra_errors(weights, line.entering, line.mixed, aligned)
        errors = np.hypot(errors, extra)
        limit = line.transition.tolerance.half_width_hz * NOT_SYNCHRONOUS_SHARE
        apart = extra > limit
        if apart.any():
            offset = np.where(apart, np.nan, offset)
            aligned.flags[0][apart] |= np.uint32(Flag.NOT_SYNCHRONOUS)
    offset, flags = _merged(offset, aligned.flags)
    return line.frequencies(aligned, flags, offset, errors, tap_offset)


def _line(
    transition: LabTransition, channels: Mapping[str, Channel], awaits: tuple[str, ...]
) -> Line:
    moving = [c for name in transition.equation.channels if _moves(c := channels[name])]
    base = transition.base
    plan = GatePlan(
        base,
        tuple(c.name for c in moving if c.hold_ns is None and c.name != base),
        {c.name: c.hold_ns for c in moving if c.hold_ns is not None and c.name != base},
        transition.lateness_ns,
    )
    plan = replace(plan, awaits=tuple(name for name in awaits if name not in plan.channels))
    entering = tuple(channels[name] for name in plan.channels)
    # A held set-point is no mean over a gate: its weighting says nothing.
    gated = [c if c.hold_ns is None else channels[base] for c in entering]
    return Line(
        transition,
        plan,
        _compile([transition.equation, transition.tap_equation], plan, channels),
        entering,
        mixed_factors(channels[base], gated),
        exact_text(transition.nominal_hz),
        float(transition.nominal_hz - transition.target.hz),
        transition.u_constant_hz,
    )


def _moves(channel: Channel) -> bool:
    """Whether its readings enter: set and assumed terms stand at their exact nominal (M10)."""
    return not channel.assumed and channel.role is not Role.SET


def _compile(
    equations: Sequence[Equation], plan: GatePlan, channels: Mapping[str, Channel]
) -> Rows:
    """Compile with one column per channel of the plan; what does not move has none or zeros."""
    used = {name for equation in equations for name in equation.channels}
    fixed = {name for name in used if not _moves(channels[name])}
    # A set channel may give the gates: its readings are aligned, its nominal enters.
    at_nominal = [
        equation.substitute(plan.base, constant(plan.base, channels[plan.base].nominal))
        if plan.base in fixed
        else equation
        for equation in equations
    ]
    return compile_rows(at_nominal, plan.channels, fixed - {plan.base})


def _bundles(lines: Sequence[Line], channels: Mapping[str, Channel]) -> list[Bundle]:
    grouped: dict[tuple[object, ...], list[Line]] = {}
    for line in lines:
        groups = {channels[name].group for name in (line.plan.base, *line.plan.others)}
        only_gates = not _moves(channels[line.plan.base]) or line.is_mixed
        alone = (id(line),) if len(groups) > 1 or line.plan.hold_ns or only_gates else ()
        key = (*sorted(groups), line.plan.lateness_ns, *alone)
        grouped.setdefault(key, []).append(line)
    return [_bundle(found, channels) for found in grouped.values()]


def _bundle(lines: list[Line], channels: Mapping[str, Channel]) -> Bundle:
    names = list(dict.fromkeys(name for line in lines for name in line.plan.channels))
    base = lines[0].plan.base
    names.remove(base)
    hold: dict[str, int] = {}
    for line in lines:
        hold.update(line.plan.hold_ns)
    plan = GatePlan(
        base,
        tuple(name for name in names if name not in hold),
        hold,
        lines[0].plan.lateness_ns,
        tuple({name: None for line in lines for name in line.plan.awaits if name not in names}),
    )
    equations = [line.transition.equation for line in lines]
    equations += [line.transition.tap_equation for line in lines]
    rows = _compile(equations, plan, channels)
    position = {name: i for i, name in enumerate(plan.channels)}
    uses = [np.array([position[name] for name in line.plan.channels], np.intp) for line in lines]
    return Bundle(lines, plan, rows, rows.coefficients**2, uses)
