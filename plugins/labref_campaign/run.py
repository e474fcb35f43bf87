"""One seed of a campaign, from begin to end: the laboratory, a session, a person, shots.

The pass runs gate by gate wherever something happens: around the begin and end of every fault,
during short ones, while an attempt is on its way or could begin, while a person works. Between
them it runs in blocks of up to five minutes: readings and verdicts are the same either
way (tested).
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from labref.actuation.base import Seen
from labref.config.lab import parse_lab
from labref.model.times import NS_PER_S, VirtualClock
from labref.plugins import load_plugins
from labref.session.session import Session
from labref.session.shots import Shot
from labref_campaign.exam import GOOD, Book
from labref_campaign.lab_text import lab_text
from labref_campaign.mistakes import Mistake, mistaken
from labref_campaign.person import Person
from labref_campaign.source import CampaignSource, KnobPort
from sim_instruments.campaign.draws import Interval
from sim_instruments.campaign.lab import CampaignLab, Span
from sim_instruments.campaign.scenario import Scenario

BLOCK = 300
BEFORE, AFTER = 3, 12  # gates around a fault's begin and end
SHORT_S = 60.0
PROVING = 45  # gates after a loss, or after a fault's end, in which a light may be proven
# What moves slowly is looked at every second, as the experiment's shutter would.
CREEPING = ("excursion", "drift_ramp", "comb_unlock", "late_reply")
LEFT_OUT = ("notify", "mqtt", "web")  # nobody is to be told of an invented laboratory
COOLING = "cooling397"


@dataclass
class Ran:
    """What is left of one seed."""

    seed: int
    days: float
    lab: CampaignLab
    book: Book
    person: Person
    wall_s: float
    package_s: float
    passes: int
    singles: int
    mistakes: Mapping[str, Mistake] = field(default_factory=dict)


def run_seed(
    scenario: Scenario,
    days: float,
    seed: int,
    *,
    every_gate: bool = False,
    acts: bool = True,
    mistakes: Mapping[str, Mistake] | None = None,
) -> Ran:
    """Run one seed. ``every_gate``: one pass a gate throughout; not ``acts``: nobody ever arms.

    ``mistakes``: wrong integers of the lab file, by laser.
    """
    begun_s = time.perf_counter()
    mistakes = mistakes or {}
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "lab.toml"
        file.write_text(mistaken(lab_text(scenario), scenario, mistakes), encoding="utf-8")
        campaign = _Campaign(scenario, days, seed, file, every_gate, acts)
        campaign.run()
    return Ran(
        seed, days, campaign.lab, campaign.book, campaign.person, time.perf_counter() - begun_s,
        campaign.package_s, campaign.passes, campaign.singles, mistakes,
    )  # fmt: skip


class _Campaign:
    def __init__(
        self, scenario: Scenario, days: float, seed: int, file: Path, every_gate: bool, acts: bool
    ) -> None:
        self.lab = lab = CampaignLab(scenario, days, seed)
        self._every_gate, self._acts = every_gate, acts
        self.package_s, self.passes, self.singles = 0.0, 0, 0
        self._file = file
        self.clock = VirtualClock(scenario.start_ns)
        self.book = Book(lab)
        self._open()
        self.person = Person(lab, self.session, seed)
        self._single, self._stops = _plan(lab)
        self._proof = np.zeros(lab.gates + 1, bool)
        for fault in lab.faults:
            self._proof[int(fault.stop_s) : int(fault.stop_s) + PROVING] = True
        self._shot: Shot | None = None
        self._pending_since: dict[str, int] = {}

    def _open(self) -> None:
        """A session as at a start of labref: nothing armed, no history."""
        plugins = load_plugins(installed())
        text = self._file.read_text(encoding="utf-8")
        parsed = parse_lab(text, str(self._file), plugins.tables())
        self.book.transitions = parsed.transitions
        plugins.manager.register(self.book, "campaign book")
        fed = frozenset(name for name, channel in parsed.channels.items() if channel.is_fed)
        self.source = CampaignSource(self.lab, fed)
        ports = {name: KnobPort(knob, self.lab) for name, knob in self.lab.knobs.items()}
        self.session = Session(parsed, [self.source], plugins, clock=self.clock, ports=ports)

    def _restart(self) -> None:
        """A person has found the integers anew and starts labref again (M19)."""
        self._leave_shot()
        self.session.stop("restarted")
        self._open()
        self.person.takes(self.session)

    def run(self) -> None:
        lab = self.lab
        while lab.gate < lab.gates:
            self._before()
            span = lab.advance(lab.longest(self._count()))
            self._pass(span)
        self._leave_shot()
        self.session.stop()

    def _before(self) -> None:
        """People, shots and shutters, before the next gates."""
        gate = self.lab.gate
        if self._acts:
            self.person.act(gate)
            if self.person.wants_restart:
                self._restart()
        self.lab.hands_are_on = _within(self.lab.hands_on, gate)
        starts = next((end for begin, end in self.lab.hands_on if begin == gate), None)
        if starts is not None and self._acts:
            self.person.hands_on(starts)
        if _within(self.lab.shots, gate):
            if self._shot is None:
                self._shot = self.session.shot(f"at {gate}")
                self._shot.__enter__()
        else:
            self._leave_shot()
        self.lab.shot_open = self._shot is not None
        self.lab.shutter_open = self.session.status.is_good(COOLING) is True

    def _leave_shot(self) -> None:
        if self._shot is not None:
            self._shot.__exit__(None, None, None)
            self._shot = None

    def _count(self) -> int:
        gate = self.lab.gate
        if self._every_gate or self._single[gate] or self.person.busy or self._could_act():
            return 1
        most = min(BLOCK - gate % BLOCK, self.person.next_gate(gate) - gate)
        place = int(np.searchsorted(self._stops, gate, "right"))
        if place < len(self._stops):
            most = min(most, int(self._stops[place]) - gate)
        return max(1, most)

    def _is_proving(self) -> bool:
        """Whether a light may be verified within the next passes: a block would delay the word."""
        acts, gate = self.session.actuation, self.lab.gate
        assert acts is not None
        for name, actuator in acts.actuators.items():
            if not getattr(actuator, "pending", ""):
                self._pending_since.pop(name, None)
            else:
                self._pending_since.setdefault(name, gate)
        since = self._pending_since.values()
        return any(gate - at < PROVING or self._proof[gate] for at in since)

    def _could_act(self) -> bool:
        """Whether a relock runs, or could begin at the next pass."""
        acts = self.session.actuation
        assert acts is not None
        if self._is_proving():
            return True
        if not self._acts:
            return False
        seen = Seen(self.clock.now_ns(), self.clock.monotonic_s())
        return any(
            getattr(actuator, "running", False)
            or (acts.desk.is_armed(name) and actuator.wanted(seen))
            for name, actuator in acts.actuators.items()
            if actuator.kind == "relock"
        )

    def _pass(self, span: Span) -> None:
        self.passes += 1
        self.singles += span.count == 1
        self.book.happened(span)
        self._harm(span)
        self.clock.advance_ns(NS_PER_S * span.count)
        begun_s = time.perf_counter()
        self.source.put(span)
        status = self.session.step()
        self.package_s += time.perf_counter() - begun_s
        self.book.asked(span, status)

    def _harm(self, span: Span) -> None:
        """Seconds of what must not be, told apart by whether that laser's relock was on its way."""
        harm = self.lab.harm
        for row in self.lab.scenario.lasers:
            if not row.amplifier:
                continue
            word = "during a relock" if row.name in self.book.moving else "with nothing moving"
            blue = row.forbidden_hz[0][0] if row.forbidden_hz else np.inf
            if self.lab.shutter_open and (span.truth[row.name] > blue).any():
                seconds = float((span.truth[row.name] > blue).sum())
                harm.add(f"light in a forbidden interval, s, {word}", f"gate {span.first}", seconds)
            if self.lab.is_("seed_drop", row.name):
                harm.add(f"amplifier unseeded, s, {word}", f"gate {span.first}", span.count)


def installed() -> list[str]:
    """Names of the installed plugins that a campaign runs with."""
    import importlib.metadata

    points = importlib.metadata.entry_points(group="labref")
    return [point.name for point in points if point.name not in LEFT_OUT]


def _within(intervals: Sequence[Interval], gate: int) -> bool:
    return any(begin <= gate < end for begin, end in intervals)


def _plan(lab: CampaignLab) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.int64]]:
    """Gates to be taken one by one, and where a block ends."""
    single = np.zeros(lab.gates + 1, bool)
    for fault in lab.faults:
        spans = [(at - BEFORE, at + AFTER) for at in (fault.start_s, fault.stop_s)]
        if fault.stop_s - fault.start_s <= SHORT_S or fault.kind in CREEPING:
            spans = [(fault.start_s - BEFORE, fault.stop_s + AFTER)]
        for begin, end in spans:
            single[max(0, int(begin)) : min(lab.gates, int(end) + 1)] = True
    edges = np.flatnonzero(np.diff(single.astype(np.int8))) + 1
    more = [gate for interval in (*lab.shots, *lab.hands_on) for gate in interval]
    return single, np.unique(np.concatenate([edges, np.array(more, np.int64)]))


__all__ = ["GOOD", "Ran", "installed", "run_seed"]
