"""What a lab writes into its trace: columns and their attributes, and validity intervals."""

from __future__ import annotations

import math
import platform
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

import labref
from labref.config.lab import Lab, LabTransition
from labref.frequency.reference import node_sensitivity
from labref.model.channel import Channel, Role
from labref.model.exact import exact_text
from labref.model.result import Result
from labref.model.verdict import State
from labref.trace.layout import MEAN_OF, Attribute, ChannelColumn, TraceLayout, TransitionColumn


def layout_of(lab: Lab) -> TraceLayout:
    """Return the trace's columns for ``lab``: every fed channel and every transition.

    Of channels above 1000 gates a second, and of what is judged in their gates, the rows are
    block means (`labref.trace.means`), unless all gates are kept.
    """
    return TraceLayout(
        tuple(_channel(channel) for channel in lab.channels.values() if channel.is_fed),
        tuple(_transition(t, lab) for t in lab.transitions.values()),
        lab.text,
        {
            "labref": labref.__version__,
            "numpy": np.__version__,
            "python": platform.python_version(),
        },
    )


def every_gate(lab: Lab) -> Lab:
    """Return ``lab`` with every gate kept: what a session has in memory."""
    kept = {name: replace(channel, keeps_all=True) for name, channel in lab.channels.items()}
    return replace(lab, channels=kept)


def as_recorded(lab: Lab, columns: Iterable[ChannelColumn]) -> Lab:
    """Return ``lab`` with the gates of a record: where it holds block means, these are its gates.

    What is derived from them is judged by the means, and stored row by row.
    """
    rows = {column.name: column.gate_ns for column in columns if column.mean_of > 1}
    channels = {
        name: replace(channel, gate_ns=rows[name], keeps_all=True) if name in rows else channel
        for name, channel in lab.channels.items()
    }
    transitions = {
        name: replace(t, gate_ns=rows.get(t.base, t.gate_ns)) for name, t in lab.transitions.items()
    }
    return replace(lab, channels=channels, transitions=transitions)


def _channel(channel: Channel) -> ChannelColumn:
    attributes: dict[str, Attribute] = {
        "kind": channel.kind,
        "loop": channel.loop.value,
        "role": channel.role.value,
        "group": channel.group,
        "weighting": channel.weighting.value,
        "dead_time_ns": channel.dead_time_ns,
        "u": channel.u,
        "rate_per_s": channel.rate_per_s,
    }
    if channel.reference is not None:
        attributes["reference"] = channel.reference
    if channel.sigma is not None:
        attributes["declared_sigma"] = channel.sigma
    title = f"{channel.name} ({channel.kind})"
    attributes.update(_averaging(channel))
    return ChannelColumn(
        channel.name, channel.nominal, channel.unit, channel.row_ns, title, attributes
    )


def _averaging(channel: Channel) -> dict[str, Attribute]:
    """What says that rows are means of gates, and of which."""
    if channel.mean_of == 1:
        return {}
    return {MEAN_OF: channel.mean_of, "averaged_gate_ns": channel.gate_ns}


def _transition(transition: LabTransition, lab: Lab) -> TransitionColumn:
    equation = transition.equation
    attributes: dict[str, Attribute] = {
        "laser": transition.laser,
        "plane": transition.target.plane,
        "target_source": transition.target.source,
        "target_u_hz": transition.target.u_hz,
        "tolerance_lower_hz": transition.tolerance.lower_hz,
        "tolerance_upper_hz": transition.tolerance.upper_hz,
        "k": transition.tolerance.k,
        "u_constant_hz": transition.u_constant_hz,
        "noise_hz": noise_of(transition, lab.channels),
        "counter_hz": counter_of(transition, lab.channels),
        "rate_hz_s": rate_of(transition, lab.channels),
        "dead_time_ns": lab.channels[transition.base].dead_time_ns,
        "weighting": lab.channels[transition.base].weighting.value,
        "unwatched": ", ".join(transition.unwatched),
    }
    if transition.tolerance.forbidden_hz:
        attributes["forbidden_hz"] = "; ".join(
            f"{low!r} to {high!r}" for low, high in transition.tolerance.forbidden_hz
        )
    for name, hz_per_y in node_sensitivity(equation, lab.channels, lab.references).items():
        attributes[f"reference_{name}_u"] = lab.references[name].u
        attributes[f"reference_{name}_hz_per_y"] = hz_per_y
    for name in transition.integers:
        integer = lab.integers[name]
        attributes[f"integer_{name}"] = f"{integer.value} ({integer.evidence})"
    base = lab.channels[transition.base]
    attributes.update(_averaging(base))
    return TransitionColumn(
        transition.name,
        transition.nominal_hz,
        transition.target.hz,
        equation.epoch,
        equation.text(),
        transition.gate_ns if base.mean_of == 1 else base.row_ns,
        f"{transition.name}: detuning counts from {exact_text(transition.target.hz)} Hz",
        attributes,
    )


def noise_of(transition: LabTransition, channels: Mapping[str, Channel]) -> float:
    """Declared one-gate deviation of the laser's own signal in Hz, for windows; 0 if none."""
    base = channels[transition.base]
    weight = abs(float(transition.equation.coefficient(base.name)))
    return 0.0 if base.sigma is None else weight * base.sigma


def counter_of(transition: LabTransition, channels: Mapping[str, Channel]) -> float:
    """Declared noise of the counters in one gate in Hz, all channels in quadrature; 0 if none.

    The mean of n gates has at least an n-th of it (that of edges); more is not claimed.
    """
    parts = [
        float(c) * channels[name].counter_sigma / channels[name].mean_of
        for name, c in transition.equation.terms
        if channels[name].role is Role.MEASURED
    ]
    return math.hypot(*parts)


def rate_of(transition: LabTransition, channels: Mapping[str, Channel]) -> float:
    """Largest credible drift of the transition in Hz/s, all channels added."""
    terms = transition.equation.terms
    return float(sum(abs(float(c)) * channels[name].rate_per_s for name, c in terms))


@dataclass
class Interval:
    """A stretch of gates with one state and one reason."""

    begin_ns: int
    end_ns: int
    state: int
    reason: str

    @property
    def columns(self) -> tuple[int, int, State, str]:
        """Begin, end, state and reason, as the trace takes them."""
        return self.begin_ns, self.end_ns, State(self.state), self.reason


class Validity:
    """Cuts a transition's gates into intervals of one state and reason.

    A hole of more than ``hole_ns`` between gates is an interval of its own: unknown.
    """

    def __init__(self, hole_ns: int) -> None:
        self._hole_ns = hole_ns
        self._open: Interval | None = None

    def feed(self, result: Result) -> list[Interval]:
        """Take a block; return the intervals that it closed."""
        states = result.states
        starts, stops = result.frequencies.start_ns, result.frequencies.stop_ns
        if self._continues(result):
            assert self._open is not None
            self._open.end_ns = int(stops[-1])
            return []
        closed: list[Interval] = []
        for first, end in result.runs(self._hole_ns):
            reason = result.reason(first).text
            begin_ns, end_ns = int(starts[first]), int(stops[end - 1])
            closed += self._take(begin_ns, end_ns, int(states[first]), reason)
        return closed

    def close(self) -> list[Interval]:
        """Return the last interval at the end of the record."""
        last, self._open = self._open, None
        return [] if last is None else [last]

    def _continues(self, result: Result) -> bool:
        """Whether the whole block just goes on being good without a hole: the usual case."""
        now = self._open
        starts, stops = result.frequencies.start_ns, result.frequencies.stop_ns
        if now is None or now.state != State.GOOD or starts[0] - now.end_ns > self._hole_ns:
            return False
        if len(starts) > 1 and (starts[1:] - stops[:-1]).max() > self._hole_ns:
            return False
        return result.is_good_throughout or bool((result.states == State.GOOD).all())

    def _take(self, start_ns: int, stop_ns: int, state: int, reason: str) -> list[Interval]:
        now = self._open
        if now is None:
            self._open = Interval(start_ns, stop_ns, state, reason)
            return []
        hole = start_ns - now.end_ns > self._hole_ns
        if not hole and (now.state, now.reason) == (state, reason):
            now.end_ns = stop_ns
            return []
        closed = [now]
        if hole:
            closed.append(Interval(now.end_ns, start_ns, State.UNKNOWN, "no gate"))
        self._open = Interval(start_ns, stop_ns, state, reason)
        return closed
