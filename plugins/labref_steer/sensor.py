"""The sensor of a steering loop: samples of the light, each with its noise, or none."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from labref.actuation.base import Seen
from labref.model.result import Result
from labref.model.times import NS_PER_S
from labref.model.verdict import Frequencies, State

_GOOD = int(State.GOOD)


class Sample(NamedTuple):
    """One gate: its begin and end (ns UTC), what the sensor read, and its noise (one sigma)."""

    start_ns: int
    stop_ns: int
    hz: float
    u_hz: float


def samples(seen: Seen, sensor: str, sigma: float) -> Iterator[Sample]:
    """Good gates of a transition's detuning, or of a channel's offset.

    A transition may be outside its tolerance: that is what steering is for. Every other check must
    say good, and no reference be in holdover (S6). ``sigma`` serves where a reading states no noise
    of its own.
    """
    for result in seen.results.get(sensor, ()):
        yield from _of_result(result, sigma)
    readings = seen.readings.get(sensor)
    if readings is not None:
        usable = readings.usable
        for i in range(len(readings)):
            if usable[i]:
                u = sigma if readings.errors is None else float(readings.errors[i])
                u = u if math.isfinite(u) and u > 0 else sigma
                if u > 0:
                    yield Sample(
                        int(readings.start_ns[i]), int(readings.stop_ns[i]),
                        float(readings.offset[i]), u,
                    )  # fmt: skip


def is_well(seen: Seen, sensor: str) -> bool | None:
    """Whether the sensor's last gate may be believed; None where this pass brought none (S6)."""
    results = seen.results.get(sensor)
    if results:
        others = (j.states[-1] for j in results[-1].judgements if j.check != "tolerance")
        block = results[-1].frequencies
        derived = math.isfinite(block.detuning[-1]) and not _is_widened(block, -1)
        return derived and all(state == _GOOD for state in others)
    readings = seen.readings.get(sensor)
    return None if readings is None or not len(readings) else readings.ends_usable


def _is_widened(block: Frequencies, gate: int) -> bool:
    """Whether a reference in holdover has widened a gate's uncertainty: nothing to steer by."""
    return block.extra_u_hz is not None and bool(block.extra_u_hz[gate] > 0)


def averaged(found: Iterable[Sample], average_s: float) -> Iterator[Sample]:
    """Adjacent samples as means over at most ``average_s``, weighted by their noise.

    What a light does within so short a time is a straight line, whose mean lies in its middle.
    """
    longest_ns = round(average_s * NS_PER_S)
    group: list[Sample] = []
    for sample in found:
        if group and (
            sample.start_ns != group[-1].stop_ns or sample.stop_ns - group[0].start_ns > longest_ns
        ):
            yield _mean(group)
            group = []
        group.append(sample)
    if group:
        yield _mean(group)


def _mean(group: list[Sample]) -> Sample:
    if len(group) == 1:
        return group[0]
    weights = [1.0 / (sample.u_hz * sample.u_hz) for sample in group]
    total = sum(weights)
    hz = sum(w * sample.hz for w, sample in zip(weights, group, strict=True)) / total
    return Sample(group[0].start_ns, group[-1].stop_ns, hz, 1.0 / math.sqrt(total))


def _of_result(result: Result, sigma: float) -> Iterator[Sample]:
    block = result.frequencies
    others = [j.states for j in result.judgements if j.check != "tolerance"]
    for i in range(len(block)):
        hz, u = float(block.detuning[i]), float(block.errors[i])
        u = u if math.isfinite(u) and u > 0 else sigma
        good = all(states[i] == _GOOD for states in others)
        if good and math.isfinite(hz) and u > 0 and not _is_widened(block, i):
            yield Sample(int(block.start_ns[i]), int(block.stop_ns[i]), hz, u)
