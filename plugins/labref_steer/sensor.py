"""The sensor of a steering loop: samples of the light, each with its noise, or none."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

from labref.actuation.base import Seen
from labref.model.result import Result
from labref.model.verdict import State


class Sample(NamedTuple):
    """One gate: its begin and end (ns UTC), what the sensor read, and its noise (one sigma)."""

    start_ns: int
    stop_ns: int
    hz: float
    u_hz: float


def samples(seen: Seen, sensor: str, sigma: float) -> Iterator[Sample]:
    """Good gates of a transition's detuning, or of a channel's offset.

    A transition may be outside its tolerance: that is what steering is for. Every other check must
    say good (S6). ``sigma`` serves where a reading states no noise of its own.
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


def _of_result(result: Result, sigma: float) -> Iterator[Sample]:
    block = result.frequencies
    others = [j for j in result.judgements if j.check != "tolerance"]
    for i in range(len(block)):
        hz, u = float(block.detuning[i]), float(block.errors[i])
        u = u if math.isfinite(u) and u > 0 else sigma
        good = all(j.states[i] == State.GOOD for j in others)
        if good and math.isfinite(hz) and u > 0:
            yield Sample(int(block.start_ns[i]), int(block.stop_ns[i]), hz, u)
