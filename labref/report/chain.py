"""What was measured against what: the chain of each transition, up to the SI second."""

from __future__ import annotations

from collections.abc import Iterator

from labref.config.evidence import leans_on, roots, unchecked_roots
from labref.config.lab import Lab, LabTransition
from labref.model.exact import exact_text
from labref.model.integer import Integer
from labref.model.reference import Reference, chain
from labref.model.times import iso
from labref.report.blocks import Block, Heading, Items, Paragraph, Section
from labref.report.numbers import hz, relative
from labref.report.record import Record


def section(record: Record) -> Section:
    """Return the section, or what the trace alone can say."""
    if record.lab is None:
        text = f"The stored lab file cannot be understood by this version: {record.problem}."
        return Section("What was measured against what", (Paragraph(text, "warning"),))
    blocks: list[Block] = []
    for transition in record.lab.transitions.values():
        blocks.append(Heading(transition.name))
        blocks.append(Items(tuple(_steps(record.lab, transition)), ordered=True))
    return Section("What was measured against what", tuple(blocks))


def _steps(lab: Lab, transition: LabTransition) -> Iterator[str]:
    target = transition.target
    plane = "the atoms" if target.plane == "atoms" else "the tap"
    yield (
        f"The light of laser {transition.laser} at {plane} is compared with its target, "
        f"{exact_text(target.hz, 1)} Hz (u = {hz(target.u_hz)}): {target.source or 'no source'}."
    )
    yield f"Its frequency is {transition.equation.text()}."
    for name in transition.integers:
        yield _integer(lab.integers[name])
    for name in transition.equation.channels:
        yield _channel(lab, name)
    yield from _nodes(lab, transition)
    names = leans_on(transition)
    if transition.asserted:
        yield (
            "All its terms are in-loop, set or assumed: the frequency is asserted, and good only "
            "with its witnesses."
        )
    yield f"A good verdict leans on {', '.join(names)}." if names else "No witness is declared."
    if transition.unwatched:
        yield f"Nobody watches {', '.join(transition.unwatched)}: mean frequency only."


def _integer(integer: Integer) -> str:
    if integer.found_ns is None:
        return f"{integer.name} = {integer.value}: asserted, no dated evidence; rests on witnesses."
    return f"{integer.name} = {integer.value}: {integer.evidence}, {iso(integer.found_ns, 0)}."


def _channel(lab: Lab, name: str) -> str:
    channel = lab.channels[name]
    feed = lab.feeds.get(name)
    by = f"by {feed[0]}, input {feed[1]}" if feed else "from a log"
    if channel.assumed:
        by = "assumed, nothing reads it back"
    loop = {"in": ", in its loop", "out": ", out of its loop"}.get(channel.loop.value, "")
    on = f"on {channel.reference}" if channel.reference else "on a scale of its own"
    return (
        f"{name} ({channel.kind}, {exact_text(channel.nominal)} {channel.unit}{loop}): "
        f"{by}, {channel.weighting.value} weighting, {on}."
    )


def _nodes(lab: Lab, transition: LabTransition) -> Iterator[str]:
    unchecked = unchecked_roots(lab, transition)
    nodes: dict[str, Reference] = {}
    for name in transition.equation.channels:
        reference = lab.channels[name].reference
        if reference is not None:
            nodes.update((node.name, node) for node in chain(reference, lab.references))
    for node in nodes.values():
        above = node.parent or "the SI second"
        text = f"{node.name} ({node.kind}) realises {above} with u = {relative(node.u)}"
        if node.y:
            text += f", known offset y = {relative(node.y)}, corrected"
        if node.height_m is not None:
            text += f", {node.height_m:.0f} m above the geoid"
        if node.name in unchecked:
            since = unchecked[node.name]
            text += f"; not independently checked {'since ' + since if since else 'ever'}"
        yield f"{text}."
    if not roots(lab, transition):
        yield "No reference of this file carries it: its scale is that of its instrument."
