"""What a lab means, as tables for a terminal: the person's answer of ``labref check``."""

from __future__ import annotations

import math
from collections.abc import Iterator

from rich.console import RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from labref.cli.check_nightly import nightly_lines
from labref.config.evidence import unchecked_roots
from labref.config.judgeable import allowed_half_width_hz, known_u_hz
from labref.config.lab import Lab, LabTransition, Witness
from labref.frequency.uncertainty import Line, Part
from labref.model.channel import Channel
from labref.model.exact import exact_text
from labref.model.integer import Integer
from labref.model.text import quantity
from labref.model.times import NS_PER_S, iso

_SMALLEST_SHARE = 1e-4  # of the variance; smaller lines are counted, not listed


def view(lab: Lab) -> Iterator[RenderableType]:
    """Yield the parts of the summary, transition by transition."""
    if lab.title:
        yield Text(lab.title, style="bold")
    for transition in lab.transitions.values():
        yield Text("")
        yield _heading(transition)
        yield Padding(_facts(lab, transition), (0, 0, 0, 2))
        yield Padding(_sensitivities(lab, transition), (0, 0, 0, 2))
        yield Padding(_budget(transition), (0, 0, 0, 2))
        for line in _statements(lab, transition):
            yield Padding(Text(line), (0, 0, 0, 2))
    if lab.integers:
        yield Text("")
        yield _integers(lab)
    for line in nightly_lines(lab):
        yield Text(line)
    yield Text("")


def _heading(transition: LabTransition) -> Text:
    plane = "at the atoms" if transition.target.plane == "atoms" else "at the tap"
    return Text(f"{transition.name}: laser {transition.laser}, {plane}", style="bold")


def _facts(lab: Lab, transition: LabTransition) -> Table:
    table = Table.grid(padding=(0, 2))
    tolerance, target = transition.tolerance, transition.target
    table.add_row("target", f"{exact_text(target.hz, 3)} Hz, u = {_hz(target.u_hz)}")
    for shift in target.shifts:
        table.add_row("", f"of which {shift.name} {_hz(float(shift.hz), True)}")
    if target.intended_offset_hz:
        offset = _hz(float(target.intended_offset_hz), True)
        table.add_row("", f"of which intended offset {offset}")
    table.add_row("nominal", f"{exact_text(transition.nominal_hz, 3)} Hz")
    detuning = float(transition.nominal_hz - target.hz)
    table.add_row("", f"{_hz(detuning, True)} from the target with every channel at its nominal")
    limits = f"{_hz(tolerance.lower_hz, True)} to {_hz(tolerance.upper_hz, True)}"
    for low, high in tolerance.forbidden_hz:
        limits += f", not {_hz(low, True)} to {_hz(high, True)}"
    table.add_row("tolerance", limits)
    gate_s = transition.gate_ns / NS_PER_S
    base = lab.channels[transition.base]
    table.add_row("gates", f"{gate_s} s of {base.name} (group {transition.group})")
    if base.mean_of > 1:
        row_s = base.row_ns / NS_PER_S
        kept = f"means of {base.mean_of} gates ({row_s} s) and their counts in the trace"
        table.add_row("kept", f'{kept}; store = "all" of the channels keeps every gate')
    return table


def _sensitivities(lab: Lab, transition: LabTransition) -> Table:
    table = Table(title="sensitivity", title_justify="left", box=None, padding=(0, 2, 0, 0))
    table.add_column("channel", no_wrap=True)
    table.add_column("Hz per unit", justify="right", no_wrap=True)
    table.add_column("nominal", justify="right", no_wrap=True)
    table.add_column("enters as")
    table.add_column("reference")
    for name, coefficient in transition.equation.terms:
        channel = lab.channels[name]
        table.add_row(
            name,
            exact_text(coefficient),
            f"{exact_text(channel.nominal)} {channel.unit}",
            _enters(channel),
            channel.reference or "its own",
        )
    return table


def _enters(channel: Channel) -> str:
    if channel.assumed:
        return "assumed"
    loop = {"in": ", in the loop", "out": ", out of the loop"}.get(channel.loop.value, "")
    return f"{channel.role.value}{loop}"


def _budget(transition: LabTransition) -> Table:
    lines = transition.budget.lines
    total = math.fsum(line.hz**2 for line in lines if math.isfinite(line.hz))
    table = Table(title="uncertainty", title_justify="left", box=None, padding=(0, 2, 0, 0))
    table.add_column("source", no_wrap=True)
    table.add_column("u", justify="right", no_wrap=True)
    table.add_column("share", justify="right")
    table.add_column("part")
    small = 0
    for line in lines:
        share = line.hz**2 / total if total else math.nan
        if share < _SMALLEST_SHARE:
            small += 1
            continue
        table.add_row(
            line.source,
            _hz(abs(line.hz)),
            "" if math.isnan(share) else f"{share:.1%}",
            _part(line),
        )
    if small:
        table.add_row(f"{small} more", "", f"< {_SMALLEST_SHARE:.2%}", "each")
    return table


def _part(line: Line) -> str:
    if not math.isfinite(line.hz):
        return "counting, to be measured"
    return "counting, averages" if line.part is Part.COUNTING else "constant"


def _statements(lab: Lab, transition: LabTransition) -> Iterator[str]:
    u_hz = known_u_hz(transition.budget)
    half = allowed_half_width_hz(transition.tolerance)
    expanded = transition.k * u_hz
    limiting = next((line for line in transition.budget.lines if math.isfinite(line.hz)), None)
    source = f", limited by {limiting.source}" if limiting is not None else ""
    yield (
        f"one gate: U = {_factor(transition.k)} u = {_hz(expanded)}, "
        f"{expanded / half:.1%} of the tolerance's half width{source}"
    )
    if transition.asserted:
        yield "asserted: every term is in-loop, set or assumed; good only with its witnesses"
    for witness in transition.witnesses:
        yield f"good only with {_witness(lab, witness)}"
    for need in transition.needs:
        yield f"needs {_witness(lab, need)}"
    if not transition.witnesses:
        yield "measured directly: no witness needed"
    for root, checked in unchecked_roots(lab, transition).items():
        u = f"{lab.references[root].u:.1e}"
        since = f"since {checked}" if checked else "ever"
        yield f"rests on the stated u of {root} ({u}), not independently checked {since}"
    if transition.unwatched:
        yield f"unwatched: {', '.join(transition.unwatched)} (mean frequency only)"


def _witness(lab: Lab, witness: Witness) -> str:
    channel = lab.channels[witness.channel]
    if witness.kind == "frequency":
        assert witness.within_hz is not None
        rests = f", calibrated by {witness.calibrated_by}" if witness.calibrated_by else ""
        own = f", itself uncertain by {_hz(witness.u_hz)}" if witness.u_hz else ""
        return f"{witness.name}: {channel.name} within {_hz(witness.within_hz)}{own}{rests}"
    assert witness.limits is not None
    low, high = witness.limits
    unit = "" if channel.unit == "1" else f" {channel.unit}"
    return (
        f"{witness.name}: {channel.name} within {low:+} to {high:+}{unit} "
        f"of {exact_text(channel.nominal)}{unit}"
    )


def _integers(lab: Lab) -> Table:
    table = Table(
        title="mode numbers and signs", title_justify="left", box=None, padding=(0, 2, 0, 0)
    )
    table.add_column("integer", no_wrap=True)
    table.add_column("value", justify="right")
    table.add_column("evidence")
    for integer in lab.integers.values():
        table.add_row(integer.name, str(integer.value), _evidence(integer))
    return table


def _evidence(integer: Integer) -> str:
    if integer.found_ns is None:
        return "asserted, no dated evidence: rests on its witnesses"
    return f"{integer.evidence}, {integer.by}, {iso(integer.found_ns, 0)}"


def _factor(k: float) -> str:
    return repr(k).removesuffix(".0")


def _hz(value: float, sign: bool = False) -> str:
    return quantity(value, sign=sign) if value else "0 Hz"
