"""People at the lasers: whose hands are on which, until when, and the notes they leave.

While somebody has hands on a laser, everything that rests on it is unknown ('hands on, WHO,
until'), its alarms are shelved and its actuators are vetoed. It ends by hand, or by expiry with a
notice. A running session remembers it in its trace folder over a restart. All methods are safe from
any thread; what is new is taken up by the next pass.
"""

from __future__ import annotations

import contextlib
import json
import os
import threading
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from labref.config.lab import Lab
from labref.model.errors import InputError
from labref.model.note import HANDS_OFF, HANDS_ON, NOTE, STARTED, Note
from labref.model.result import Result
from labref.model.times import NS_PER_S, Clock, iso
from labref.model.verdict import NOTHING, Judgement, Reason, State

FILE = "hands_on.json"
EVERYTHING = "all"
LONGEST_NS = 30 * 86_400 * NS_PER_S
# Gates that are derived late still know whose hands were on the laser then.
_REMEMBERED_NS = 3600 * NS_PER_S


@dataclass(frozen=True, slots=True)
class Hands:
    """``by`` has hands on ``laser`` from ``begin_ns`` until ``end_ns``; ``over``: told as ended."""

    laser: str
    by: str
    begin_ns: int
    end_ns: int
    over: bool = False

    @property
    def text(self) -> str:
        """How a verdict names it."""
        return f"hands on, {self.by}, until {iso(self.end_ns, 0)}"


class People:
    """The hands and notes of one session. ``file``: where hands are remembered; None: nowhere."""

    def __init__(self, lab: Lab, clock: Clock, file: Path | None = None) -> None:
        self._clock, self._file = clock, file
        self._lasers = tuple(lab.lasers)
        self._rests = {
            name: frozenset(
                node.removeprefix("lasers.")
                for node in lab.provenance.rests_on(f"transitions.{name}")
                if node.startswith("lasers.")
            )
            for name in lab.transitions
        }
        self._laser_of = {name: t.laser for name, t in lab.transitions.items()}
        self._lock = threading.Lock()
        self._news: list[Note] = []
        self._hands = _remembered(file, self._lasers)

    # what people say ---------------------------------------------------------------------

    def hands_on(self, name: str, by: str, for_s: float) -> tuple[str, ...]:
        """Take hands on a laser, a transition's laser, or ``all``: the lasers meant.

        Raises InputError for an unknown name, no person, or a time that is no time.
        """
        lasers, by = self._meant(name), _person(by)
        if not 0 < for_s * NS_PER_S <= LONGEST_NS:
            raise InputError("hands-on lasts longer than no time and at most 30 days")
        now_ns = self._clock.now_ns()
        with self._lock:
            for laser in lasers:
                begin = now_ns
                for old in self._standing(laser):
                    begin = min(begin, old.begin_ns)
                    self._hands.remove(old)
                hands = Hands(laser, by, begin, now_ns + round(for_s * NS_PER_S))
                self._hands.append(hands)
                until = f"until {iso(hands.end_ns, 0)}"
                self._news.append(Note(now_ns, HANDS_ON, until, by, laser))
            self._save()
        return lasers

    def hands_off(self, name: str, by: str) -> tuple[str, ...]:
        """End it by hand: the lasers on which hands were. Raises InputError as `hands_on`."""
        lasers, by = self._meant(name), _person(by)
        now_ns = self._clock.now_ns()
        ended = []
        with self._lock:
            for laser in lasers:
                for hands in self._standing(laser):
                    self._end(hands, min(now_ns, hands.end_ns))
                    text = f"hands off ({hands.by} had them on)"
                    self._news.append(Note(now_ns, HANDS_OFF, text, by, laser))
                    ended.append(laser)
            self._save()
        return tuple(ended)

    def note(self, text: str, by: str, about: str = "") -> Note:
        """Leave a note, about a laser or transition perhaps. Raises InputError."""
        if not text.strip():
            raise InputError("a note without a text says nothing")
        if about:
            self._meant(about)
        note = Note(self._clock.now_ns(), NOTE, text.strip(), _person(by), about)
        with self._lock:
            self._news.append(note)
        return note

    def started(self, by: str, text: str) -> None:
        """Leave a row that says who started this session, with what. Raises InputError."""
        with self._lock:
            self._news.append(Note(self._clock.now_ns(), STARTED, text, _person(by)))

    # what the pass asks ------------------------------------------------------------------

    def news(self, now_ns: int) -> list[Note]:
        """What was said since the last call, and what has expired."""
        if not self._hands and not self._news:
            return []
        with self._lock:
            for hands in [h for h in self._hands if not h.over and h.end_ns <= now_ns]:
                self._end(hands, hands.end_ns)
                text = "hands-on has expired: judged again from here on"
                self._news.append(Note(hands.end_ns, HANDS_OFF, text, hands.by, hands.laser))
                self._save()
            old = [h for h in self._hands if h.over and h.end_ns < now_ns - _REMEMBERED_NS]
            for hands in old:
                self._hands.remove(hands)
            told, self._news = self._news, []
        return told

    def standing(self, transition: str) -> Hands | None:
        """Whose hands are on what the transition rests on, now."""
        now_ns = self._clock.now_ns()
        found = [h for h in self._over(transition) if not h.over and h.end_ns > now_ns]
        return max(found, key=lambda hands: hands.end_ns, default=None)

    def veto(self, transitions: Iterable[str]) -> str:
        """Why nothing may move these transitions' lasers now; "" if nothing forbids it."""
        for name in transitions:
            if name in self._rests and (hands := self.standing(name)) is not None:
                return f"{hands.laser}: {hands.text}"
        return ""

    def state(self) -> dict[str, str]:
        """Plain values for a status: laser to text."""
        now_ns = self._clock.now_ns()
        with self._lock:
            return {h.laser: h.text for h in self._hands if not h.over and h.end_ns > now_ns}

    def mark(self, result: Result) -> Result:
        """The result with every gate unknown during which hands were on its laser."""
        mask = self._covered(result)
        if mask is None:
            return result
        hands = self._over(result.frequencies.transition)[-1]
        count = len(result.states)
        said = Judgement(
            HANDS_ON,
            np.where(mask, np.uint8(State.UNKNOWN), np.uint8(State.GOOD)),
            mask.astype(np.intp),
            (NOTHING, Reason(hands.text, "hands off, or the end of that time", HANDS_ON)),
        )
        states = np.where(mask, np.uint8(State.UNKNOWN), result.states[:count])
        return replace(result, states=states, judgements=(said, *result.judgements))

    def audible(self, result: Result) -> Result | None:
        """The gates of which alarms may hear; None where all of them are shelved."""
        mask = self._covered(result)
        if mask is None:
            return result
        return None if mask.all() else result.chosen(~mask)

    # -------------------------------------------------------------------------------------

    def _covered(self, result: Result) -> npt.NDArray[np.bool_] | None:
        hands = self._over(result.frequencies.transition) if self._hands else []
        if not hands:
            return None
        starts, stops = result.frequencies.start_ns, result.frequencies.stop_ns
        mask = np.zeros(len(starts), bool)
        for one in hands:
            mask |= (stops > one.begin_ns) & (starts < one.end_ns)
        return mask if mask.any() else None

    def _over(self, transition: str) -> list[Hands]:
        rests = self._rests[transition]
        with self._lock:
            return [hands for hands in self._hands if hands.laser in rests]

    def _standing(self, laser: str) -> list[Hands]:
        return [hands for hands in self._hands if hands.laser == laser and not hands.over]

    def _end(self, hands: Hands, end_ns: int) -> None:
        self._hands.remove(hands)
        self._hands.append(replace(hands, end_ns=end_ns, over=True))

    def _meant(self, name: str) -> tuple[str, ...]:
        if name == EVERYTHING:
            return self._lasers
        if name in self._lasers:
            return (name,)
        if name in self._laser_of:
            return (self._laser_of[name],)
        known = ", ".join([*self._lasers, *sorted(self._laser_of), EVERYTHING])
        raise InputError(f"no laser or transition {name!r}; this lab has: {known}")

    def _save(self) -> None:
        """Whoever takes hands on is never refused because a disk is full."""
        if self._file is None:
            return
        with contextlib.suppress(OSError):
            fresh = self._file.with_name(self._file.name + ".new")
            values = [asdict(hands) for hands in self._hands if not hands.over]
            fresh.write_text(json.dumps(values), encoding="utf-8")
            os.replace(fresh, self._file)  # noqa: PTH105 - one atomic step


def _person(by: str) -> str:
    if not by.strip() or ":" in by or "\n" in by:
        raise InputError("the name of a person is needed, without a colon")
    return by.strip()


def _remembered(file: Path | None, lasers: tuple[str, ...]) -> list[Hands]:
    """What the last session left; a file that is not ours is as good as none."""
    if file is None or not file.exists():
        return []
    try:
        found = [Hands(**values) for values in json.loads(file.read_text(encoding="utf-8"))]
        return [hands for hands in found if hands.laser in lasers and hands.end_ns > 0]
    except (OSError, ValueError, TypeError):
        return []
