"""One transition's record of a shot, from its gates: a pure function (rules M4, M5, M12).

The mean is weighted by how much of each gate lies in the window. Its error, with w the window
and g the weights of the gates as functions of time (both of integral one):

    counting      edge noise by the differences of neighbouring weights, the rest by their squares
    unmeasured    the light's noise seen through w - g: exact for white FM, flicker, random walk
                  and drift (`labref.frequency.windows`)
    alignment     what moving the window by one u of its clock would add

Scatter of one gate is counting noise and light together, and one counter cannot tell which. So
the white part V is taken as light where that is worse (windows shorter than a gate), and as
counting up to the gate's own error where that is worse: the parts are cut so that the sum of
their squares is exactly that, and nothing is counted twice. What the lab file declares as the
counter's own (``counter_sigma``) is known apart: it is counting, and the light has only the rest.

The window is good where all gates that can touch it were good and its mean, with this larger
uncertainty, lies inside the tolerance: a window far shorter than a gate may be unknown although
its gate was good.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from labref.frequency.asynchrony import Gate, gate_of
from labref.frequency.windows import NoiseModel, window_u
from labref.model.channel import Weighting
from labref.model.readings import Floats, Ints
from labref.model.shot import ShotMean, WindowClock
from labref.model.times import NS_PER_S
from labref.model.window import overlaps
from labref.trace.shot_gates import Facts, Gates
from labref.trace.shot_noise import UNSEEN, ShotNoise
from labref.trace.shot_state import Window, shot_state, slope

# Longer windows take only their outermost gates with their true weighting.
_MOST_SHAPED = 64


@dataclass(frozen=True, slots=True, eq=False)
class _Used:
    """Gates that lie in the window at all: times (n,), shares in ns, weights of sum one."""

    start_ns: Ints
    stop_ns: Ints
    share: Floats
    weight: Floats
    errors: Floats

    @property
    def gate_s(self) -> Floats:
        gates: Floats = (self.stop_ns - self.start_ns) / NS_PER_S
        return gates


def shot_mean(
    facts: Facts, gates: Gates, window_ns: tuple[int, int], clock: WindowClock, noise: ShotNoise
) -> ShotMean:
    """Return the record of ``window_ns`` (begin, end on the trace's clock, ns UTC)."""
    window = Window(*window_ns, clock.margin_ns)
    rows = gates.rows(window.start_ns - 5 * facts.gate_ns, window.stop_ns + 5 * facts.gate_ns)
    start, stop = gates.start_ns[rows], gates.stop_ns[rows]
    usable, offset = gates.usable[rows], gates.offset[rows]
    shared = np.where(usable, overlaps(start, stop, *window_ns), 0)
    inside = shared > 0
    covered = float(shared.sum())
    mean, parts, constant = math.nan, (0.0, math.inf, 0.0), gates.u_constant[rows][usable]
    if covered > 0:
        share = shared[inside].astype(np.float64)
        used = _Used(
            start[inside], stop[inside], share, share / covered, gates.errors[rows][inside]
        )
        mean = float(used.weight @ offset[inside])
        parts = _parts(facts, used, window, clock, noise)
    u_constant = float(constant.max()) if len(constant) else 0.0
    drift, u_drift = slope(start[usable], stop[usable], offset[usable], window, noise)
    known = math.hypot(facts.u_reference_hz, facts.u_target_hz)
    path = math.sqrt(max(0.0, u_constant**2 - known**2))
    u_hz = math.hypot(*parts, facts.u_reference_hz, path, facts.u_target_hz)
    nominal = gates.nominal_hz
    detuning = float(nominal - facts.target_hz) + mean
    state, reasons, complete = shot_state(facts, gates, window, (detuning, u_hz))
    return ShotMean(
        facts.name,
        nominal,
        facts.target_hz,
        mean,
        *parts,
        facts.u_reference_hz,
        path,
        facts.u_target_hz,
        drift,
        u_drift,
        covered / window.length_ns,
        int(inside.sum()),
        state,
        reasons,
        facts.tolerance,
        noise.source,
        facts.unwatched,
        complete,
    )


def _parts(
    facts: Facts, used: _Used, window: Window, clock: WindowClock, noise: ShotNoise
) -> tuple[float, float, float]:
    """Counting, unmeasured and alignment part in Hz."""
    if noise.source == "unknown":
        return 0.0, math.inf, 0.0
    gate_s = float(np.mean(used.gate_s))
    counter = noise.counter_hz2(gate_s, facts.counter_hz)
    noise = noise.without(counter, gate_s)
    white = noise.white_hz2(gate_s)
    errors = np.where(np.isfinite(used.errors), used.errors**2 - counter, white)
    errors = np.maximum(errors, 0.0)
    if noise.source == "measured":
        # The record bounds what can be counting noise; a share this small it cannot see.
        most = max(white, UNSEEN * noise.model.sigma(gate_s) ** 2)
        errors = np.minimum(np.maximum(errors - noise.edge_hz2, 0.0), most)
    squares = float(np.sum(used.weight**2))
    counting = float(np.sum(used.weight**2 * errors))
    light = _Light(facts, used, window, noise.model)
    mismatch = _mismatch(facts, used, window, 0) * gate_s  # of white noise, in units of V
    shared = min(counting / squares, white) * min(squares, mismatch)
    edges = noise.edge_hz2 / 2 * _edge_squares(used) + counter * squares
    here = light(0)
    aligned = 0.0
    if clock.u_ns:  # one standard uncertainty of the window's place, either way
        moved = (light(clock.u_ns) + light(-clock.u_ns)) / 2
        aligned = math.sqrt(max(0.0, moved - here))
    return math.sqrt(counting + edges), math.sqrt(max(0.0, here - shared)), aligned


@dataclass(frozen=True, slots=True, eq=False)
class _Light:
    """Variance in Hz^2 of gates' mean against the window's, for a window moved by some ns."""

    facts: Facts
    used: _Used
    window: Window
    model: NoiseModel

    def __call__(self, moved_ns: int) -> float:
        model, used, window = self.model, self.used, self.window
        white = model.white**2 * _mismatch(self.facts, used, window, moved_ns)
        middle = (used.start_ns - window.start_ns + (used.stop_ns - window.start_ns)) / 2
        lever_s = (window.length_ns / 2 + moved_ns - float(used.weight @ middle)) / NS_PER_S
        slow = 0.0
        if model.flicker or model.walk:
            slow_model = NoiseModel(flicker=model.flicker, walk=model.walk)
            gate, others, weights = _shapes(self.facts, used, window, moved_ns)
            slow = window_u(slow_model, gate, others, weights) ** 2
        return white + slow + (model.drift_per_s * lever_s) ** 2


def _mismatch(facts: Facts, used: _Used, window: Window, moved_ns: int) -> float:
    """Integral of (w - g)^2 dt in 1/s for the window moved by ``moved_ns``."""
    if facts.weighting is not Weighting.PI:
        gate, others, weights = _shapes(facts, used, window, moved_ns)
        return window_u(NoiseModel(white=1.0), gate, others, weights) ** 2
    begin, end = window.start_ns + moved_ns, window.stop_ns + moved_ns
    common = overlaps(used.start_ns, used.stop_ns, begin, end) / NS_PER_S
    density = used.weight / used.gate_s
    length_s = window.length_ns / NS_PER_S
    square = 1 / length_s + float(np.sum(used.weight * density))
    return max(0.0, square - 2 * float(np.sum(density * common)) / length_s)


def _shapes(
    facts: Facts, used: _Used, window: Window, moved_ns: int
) -> tuple[Gate, list[Gate], list[float]]:
    """The window and the gates as weight functions; whole gates in a row become one."""
    origin = window.start_ns
    gate = gate_of(
        window.start_ns + moved_ns, window.stop_ns + moved_ns, Weighting.PI, window.start_ns
    )
    runs = _runs(used, merged=facts.weighting is Weighting.PI or len(used.share) > _MOST_SHAPED)
    others, weights = [], []
    for first, last in runs:
        shape = Weighting.PI if last > first else facts.weighting
        begin, end = int(used.start_ns[first]), int(used.stop_ns[last])
        others.append(gate_of(begin, end, shape, origin))
        weights.append(float(used.weight[first : last + 1].sum()))
    return gate, others, weights


def _runs(used: _Used, merged: bool) -> list[tuple[int, int]]:
    """First and last row of each run of adjacent gates that lie wholly in the window."""
    count = len(used.share)
    if not merged or count < 3:
        return [(row, row) for row in range(count)]
    length = used.stop_ns - used.start_ns
    whole = used.share >= length
    near = np.abs(used.start_ns[1:] - used.stop_ns[:-1]) <= length[1:] // 1000
    joined = whole[1:] & whole[:-1] & near & (length[1:] == length[:-1])
    edges = [0, *(np.flatnonzero(~joined) + 1).tolist(), count]
    return [(a, b - 1) for a, b in itertools.pairwise(edges)]


def _edge_squares(used: _Used) -> float:
    """Sum of squared steps of the weights at all edges: the shared edges of neighbours cancel."""
    weight = used.weight
    if len(weight) == 1:
        return 2.0 * float(weight[0]) ** 2
    near = np.abs(used.start_ns[1:] - used.stop_ns[:-1]) <= (used.stop_ns - used.start_ns)[1:] // 8
    between = np.where(near, (weight[1:] - weight[:-1]) ** 2, weight[1:] ** 2 + weight[:-1] ** 2)
    return float(weight[0]) ** 2 + float(weight[-1]) ** 2 + float(between.sum())
