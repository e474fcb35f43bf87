"""Gate stamps: the index is the time base, arrivals are fitted against it."""

from __future__ import annotations

import itertools
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.drivers.gates import GateClock, HostTime
from labref.model.times import NS_PER_S, VirtualClock

T = NS_PER_S // 10


def late(generator: random.Random) -> int:
    """A network's delay: 0.1 ms and an exponential tail of 1 ms."""
    return 100_000 + round(generator.expovariate(1 / 1e6))


def test_stamps_touch_and_are_exactly_one_gate_apart() -> None:
    gates, generator = GateClock(T), random.Random(1)
    ends = [gates.arrive(k * T + late(generator)) for k in range(1000)]
    steps = {b - a for a, b in itertools.pairwise(ends)}
    assert steps == {T}


def test_the_stamp_is_within_its_stated_uncertainty() -> None:
    gates, generator = GateClock(T), random.Random(2)
    for k in range(500):
        end = gates.arrive(k * T + late(generator))
    assert abs(end - 499 * T) < 3 * gates.fit.u_ns
    assert 0.1e6 < gates.fit.u_ns < 3e6


@pytest.mark.parametrize("slope", [0.0, 2e-5, -2e-5])
def test_the_slope_is_the_counters_clock_against_the_hosts(slope: float) -> None:
    gates, generator = GateClock(T), random.Random(3)
    for k in range(2000):
        end = gates.arrive(round(k * T * (1 + slope)) + late(generator) // 10)
    assert gates.fit.slope == pytest.approx(slope, abs=1e-5)
    assert abs(end - 1999 * T * (1 + slope)) < 1e6
    assert not gates.is_strange


def test_a_lost_gate_is_a_step_of_the_index() -> None:
    gates = GateClock(T)
    for k in range(50):
        gates.arrive(k * T)
    assert gates.late_gates(50 * T) == 0
    assert gates.late_gates(53 * T) == 3
    gates.skip(3)
    assert gates.arrive(53 * T) == 53 * T


def test_a_burst_is_late_but_not_lost() -> None:
    gates = GateClock(T)
    for k in range(50):
        gates.arrive(k * T)
    assert gates.late_gates(53 * T, 4) == 0
    assert gates.arrive(53 * T, 4) == 53 * T


@pytest.mark.parametrize("factor", [0.5, 0.9, 1.05, 2.0])
def test_another_gate_time_is_strange(factor: float) -> None:
    gates = GateClock(T)
    for k in range(100):
        gates.arrive(k * T)
    for k in range(1, 120):
        gates.arrive(99 * T + round(k * T * factor))
    assert gates.is_strange


@given(st.lists(st.integers(0, 3 * T), min_size=2, max_size=60), st.integers(10**6, 10**10))
def test_stamps_rise_whatever_the_delays(delays: list[int], gate_ns: int) -> None:
    gates = GateClock(gate_ns)
    arrival, ends = 0, []
    for k, delay in enumerate(delays):
        arrival = max(arrival, k * gate_ns + delay)
        ends.append(gates.arrive(arrival))
    assert all(b > a for a, b in itertools.pairwise(ends))


def test_a_step_of_utc_is_seen_once_and_taken_over() -> None:
    clock = VirtualClock(10**18)
    host = HostTime(clock)
    clock.wait(1.0)
    assert host.stepped() == 0
    clock.step_ns(-5 * NS_PER_S)
    clock.wait(1.0)
    assert host.now_ns() == 10**18 + 2 * NS_PER_S  # not believed before it was looked at
    assert host.stepped() == -5 * NS_PER_S
    clock.wait(1.0)
    assert host.stepped() == 0
    assert host.now_ns() == 10**18 - 2 * NS_PER_S
