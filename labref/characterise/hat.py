"""Which of three lasers or references makes the noise: three-cornered hat and covariance."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np

from labref.characterise.combine import fractional_difference
from labref.characterise.outcome import Line, Outcome
from labref.characterise.plan import Part
from labref.characterise.readings import grid_of
from labref.characterise.sources import Bench
from labref.stability.columns import spread
from labref.stability.compare import Difference, Share, groslambert, three_cornered_hat
from labref.stability.series import make_series


def carry_out(bench: Bench, name: str, part: Part) -> Outcome:
    """Return each laser's own deviation. Raises RefusedError, InputError, TraceError."""
    differences = _of_lasers(bench, part) if part.lasers else _declared(bench, part)
    gaps = "pairs" if any(d.series.has_gaps for d in differences) else "refuse"
    taus = bench.plan.taus if part.taus is None else part.taus
    values: dict[str, Any] = {}
    lines: list[Line] = []
    for estimate in (groslambert, three_cornered_hat):
        shares = estimate(differences, taus=taus, gaps=gaps, confidence=bench.plan.confidence)
        for laser, share in shares.items():
            values.setdefault(laser, {})[share.method] = _plain(share)
            if estimate is groslambert:
                lines += [_line(laser, share, *point) for point in part.at_most]
                lines += [] if part.at_most else [_resolved(laser, share)]
    return Outcome(name, part.kind, part.title, tuple(lines), (), values)


def _of_lasers(bench: Bench, part: Part) -> list[Difference]:
    trace, lab = bench.trace(part), bench.lab
    assert lab is not None
    found = []
    for first, second in itertools.combinations(part.lasers, 2):
        at, y, group = fractional_difference(trace, lab, first, second)
        keep, index, spacing = grid_of(at, f"{first} - {second}")
        series = make_series(
            spread(index, y[keep]), tau0_s=spacing, data="frequency", group=group,
            name=f"{first} - {second}", loop="free",
        )  # fmt: skip
        found.append(Difference(first, second, series, comb_eliminated=True))
    return found


def _declared(bench: Bench, part: Part) -> list[Difference]:
    import msgspec

    return [
        Difference(
            first, second, bench.series(msgspec.structs.replace(part, channel=channel)), True
        )
        for first, second, channel in part.differences
    ]


def _line(laser: str, share: Share, tau: float, limit: float) -> Line:
    what = f"{laser} at {tau:.0f} s"
    hits = np.flatnonzero(np.isclose(share.tau_s, tau))
    if not len(hits):
        return Line(what, "cannot tell", "not computed", f"{limit:.1e}")
    k = int(hits[0])
    state = "cannot tell"
    if share.upper[k] <= limit**2:
        state = "pass"
    elif share.lower[k] > limit**2:
        state = "fail"
    return Line(what, state, _value(share, k), f"at most {limit:.1e}")


def _resolved(laser: str, share: Share) -> Line:
    k = int(np.argmax(share.edf))
    state = "cannot tell" if share.lower[k] <= 0.0 else "pass"
    return Line(f"{laser} resolved at {share.tau_s[k]:.0f} s", state, _value(share, k))


def _value(share: Share, k: int) -> str:
    if share.negative[k]:
        return "variance came out negative"
    low, high = np.sqrt(np.maximum([share.lower[k], share.upper[k]], 0.0))
    return f"{np.sqrt(share.variance[k]):.2e} ({low:.1e} to {high:.1e})"


def _plain(share: Share) -> dict[str, list[float]]:
    names = ("tau_s", "variance", "lower", "upper", "edf")
    return {name: np.asarray(getattr(share, name)).tolist() for name in names}
