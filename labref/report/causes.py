"""What a bad night goes back to: incidents, and the one thing that explains each.

An *incident* is a set of transitions that left "good" together; its cause the most upstream thing
on which all of them rest and at which something was seen: an instrument whose channels all fell
silent, a level out of its limits, a single channel, a comb, a laser. What is looked at are the raw
readings around the begin, not only the words of the verdicts: twelve verdicts may say twelve times
what one antenna did.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from labref.config.lab import Lab
from labref.model.flags import UNUSABLE, Flag, flag_text
from labref.model.note import HANDS_ON
from labref.model.times import NS_PER_S
from labref.model.verdict import State
from labref.trace.reader import Trace

# So near must two transitions leave "good" to be one incident.
TOGETHER_NS = 10 * NS_PER_S
# So much of the record around the begin is looked at.
_BEFORE_NS, _AFTER_NS = 5 * NS_PER_S, 5 * NS_PER_S
# A channel of which less than this was read there has fallen silent.
_MOSTLY = 0.6


@dataclass(frozen=True, slots=True)
class Lost:
    """One transition was not good from ``begin_ns`` to ``end_ns``, for ``reason``."""

    transition: str
    begin_ns: int
    end_ns: int
    state: State
    reason: str

    @property
    def seconds(self) -> float:
        """How long."""
        return (self.end_ns - self.begin_ns) / NS_PER_S


@dataclass(frozen=True, slots=True)
class Incident:
    """Losses that began together, and what they go back to."""

    cause: str
    lost: tuple[Lost, ...]

    @property
    def begin_ns(self) -> int:
        """When the first of them began."""
        return min(one.begin_ns for one in self.lost)

    @property
    def end_ns(self) -> int:
        """When the last of them ended."""
        return max(one.end_ns for one in self.lost)

    @property
    def lost_s(self) -> float:
        """Seconds of good light lost, all transitions together."""
        return sum(one.seconds for one in self.lost)

    @property
    def transitions(self) -> tuple[str, ...]:
        """Who suffered."""
        return tuple(dict.fromkeys(one.transition for one in self.lost))


def losses(trace: Trace, start_ns: int, stop_ns: int) -> list[Lost]:
    """Every stretch that was not good, without those during which somebody had hands on."""
    found = []
    for name in trace.transitions:
        series = trace.series(name, start_ns, stop_ns)
        if not len(series) or series.state is None:
            continue
        said = trace.validity(name, start_ns, stop_ns)
        edges = np.flatnonzero(np.diff((series.state == State.GOOD).astype(np.int8))) + 1
        for first, end in zip([0, *edges.tolist()], [*edges.tolist(), len(series)], strict=True):
            if series.state[first] == State.GOOD:
                continue
            begin, stop = int(series.start_ns[first]), int(series.stop_ns[end - 1])
            reason = next(
                (i.reason for i in said if i.begin_ns <= begin < i.end_ns and i.reason), ""
            )
            if not reason.startswith(HANDS_ON):
                found.append(Lost(name, begin, stop, State(int(series.state[first])), reason))
    return sorted(found, key=lambda one: one.begin_ns)


def incidents(trace: Trace, lab: Lab, start_ns: int, stop_ns: int) -> list[Incident]:
    """All incidents of a span, the costliest first."""
    groups: list[list[Lost]] = []
    for one in losses(trace, start_ns, stop_ns):
        if groups and one.begin_ns - groups[-1][0].begin_ns <= TOGETHER_NS:
            groups[-1].append(one)
        else:
            groups.append([one])
    merged: dict[tuple[str, tuple[str, ...]], list[Lost]] = {}
    for group in groups:
        cause = cause_of(trace, lab, group)
        who = tuple(sorted({one.transition for one in group}))
        merged.setdefault((cause, who), []).extend(group)
    found = [Incident(cause, tuple(group)) for (cause, _), group in merged.items()]
    return sorted(found, key=lambda one: -one.lost_s)


def cause_of(trace: Trace, lab: Lab, group: Sequence[Lost]) -> str:
    """The most upstream thing at which something was seen and on which all of them rest."""
    group = _principal(lab, group)
    names = {one.transition for one in group}
    rests = [_rests_on(lab, name) for name in sorted(names)]
    common = frozenset.intersection(*rests)
    seen = _seen(trace, lab, group[0].begin_ns)
    for text, nodes in (*_silent_instruments(lab, seen), *_levels(lab, trace, group)):
        if nodes & common:
            return text
    silent = [name for name, flags in seen.items() if flags and f"channels.{name}" in common]
    if silent:
        return f"channel {silent[0]}: {flag_text(seen[silent[0]])}"
    return _shared(lab, common, names, group)


def _principal(lab: Lab, group: Sequence[Lost]) -> list[Lost]:
    """The group without those that only doubted because of a laser which was lost much longer.

    A light beside which another one jumps is unknown until it is clear which of both it was.
    """
    spent: dict[str, float] = {}
    for one in group:
        laser = lab.transitions[one.transition].laser
        spent[laser] = max(spent.get(laser, 0.0), one.seconds)

    def is_doubt(one: Lost) -> bool:
        own = lab.transitions[one.transition].laser
        return any(
            laser != own and seconds > 2 * one.seconds and _names(one.reason, laser)
            for laser, seconds in spent.items()
        )

    return [one for one in group if not is_doubt(one)]


def _names(reason: str, laser: str) -> bool:
    return re.search(rf"(?<![\w+-]){re.escape(laser)}(?![\w+-])", reason) is not None


def _rests_on(lab: Lab, transition: str) -> frozenset[str]:
    """Everything without which it is not good, its witnesses, needs and instruments included."""
    known = lab.transitions[transition]
    beside = [f"witnesses.{w.name}" for w in (*known.witnesses, *known.needs)]
    channels = {c for w in (*known.witnesses, *known.needs) for c in w.channels}
    nodes = set(lab.provenance.rests_on(f"transitions.{transition}", *beside))
    nodes |= {f"channels.{c}" for c in channels}
    read = _read_by(lab)
    nodes |= {read[c] for n in nodes if (c := n.removeprefix("channels.")) in read}
    return frozenset(nodes)


def _read_by(lab: Lab) -> dict[str, str]:
    """For each fed channel who brings it: ``instrument NAME`` or ``log NAME``."""
    found = {name: f"log {log}" for log, table in lab.logs.items() for name in table.columns}
    return found | {name: f"instrument {feed[0]}" for name, feed in lab.feeds.items()}


def _seen(trace: Trace, lab: Lab, begin_ns: int) -> dict[str, int]:
    """For each fed channel the flags of its unusable readings around the begin; 0: none."""
    found = {}
    begin, end = begin_ns - _BEFORE_NS, min(begin_ns + _AFTER_NS, trace.stop_ns)
    for name in trace.channels:
        if name not in lab.channels:
            continue
        series = trace.series(name, begin, end)
        bad = series.flags[(series.flags & UNUSABLE) != 0]
        found[name] = int(np.bitwise_or.reduce(bad)) & UNUSABLE if len(bad) else 0
        read_ns = int((series.stop_ns - series.start_ns).sum())
        is_quick = series.gate_ns < (end - begin) // 3
        # Rows that were never written are missing as much as flagged ones.
        if not len(series) or (is_quick and read_ns < _MOSTLY * (end - begin)):
            found[name] |= int(Flag.GAP)
    return found


def _silent_instruments(lab: Lab, seen: dict[str, int]) -> Iterable[tuple[str, frozenset[str]]]:
    by: dict[str, list[str]] = {}
    for channel, who in _read_by(lab).items():
        by.setdefault(who, []).append(channel)
    for who, channels in by.items():
        flags = [seen.get(channel, 0) for channel in channels]
        if all(flags) and len(channels) > 1:
            yield f"{who}: {flag_text(flags[0])}", frozenset([who])


def _levels(lab: Lab, trace: Trace, group: Sequence[Lost]) -> Iterable[tuple[str, frozenset[str]]]:
    begin = group[0].begin_ns
    for witness in lab.witnesses.values():
        if witness.limits is None:
            continue
        series = trace.series(witness.channel, begin - _BEFORE_NS, begin + _AFTER_NS)
        low, high = witness.limits
        values = series.offset[series.usable]
        if ((values < low) | (values > high)).any():
            owner = _owner(lab, witness.name)
            yield (
                f"{owner}: {witness.name} out of its limits",
                frozenset([f"channels.{witness.channel}"]),
            )


def _owner(lab: Lab, witness: str) -> str:
    """Who needs this level: a reference's lock, or the witness itself."""
    import tomllib

    raw: dict[str, Any] = tomllib.loads(lab.text)
    for name, table in raw.get("references", {}).items():
        if witness in table.get("needs", ()):
            return f"reference {name}"
    return f"witness {witness}"


def _shared(lab: Lab, common: frozenset[str], names: set[str], group: Sequence[Lost]) -> str:
    """Nothing fell silent: the nearest thing that those share and no other rests on."""
    others = [_rests_on(lab, name) for name in lab.transitions if name not in names]
    own = common - frozenset().union(*others) if others else common
    reason = max((one.reason for one in group), key=len, default="") or "not good"
    lasers = sorted({lab.transitions[name].laser for name in names})
    if len(lasers) == 1:
        return f"laser {lasers[0]}: {reason}"
    for kind in ("combs", "references"):
        found = sorted(node for node in own if node.startswith(f"{kind}."))
        if found:
            return f"{kind[:-1]} {found[0].partition('.')[2]}: {reason}"
    shared = sorted(node for node in common if node.startswith(("combs.", "references.")))
    where = shared[0].replace("s.", " ", 1) if shared else "no common part"
    return f"{where}: {reason}"
