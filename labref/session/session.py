"""The session: one lab, its sources, its clock, its plugins, and the loop around the pass.

    session = Session(lab, sources, out="night")
    with session:
        session.start()                      # the pass in a thread of its own, or
        session.step()                       # one pass in the caller's
        session.status.is_good("clock729")   # True, False, or None: unknown

With a virtual clock there are no threads: `wait_good` steps by itself.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

from labref.actuation.base import Port
from labref.config.lab import Lab
from labref.drivers.base import Setting
from labref.model.errors import InputError
from labref.model.fault import Fault
from labref.model.readings import block
from labref.model.result import Result
from labref.model.shot import WindowClock
from labref.model.times import Clock, RealClock
from labref.model.verdict import Alarm
from labref.model.window import WindowMean
from labref.plugins import Plugins
from labref.session.acting import actuators_of, ports_of, runner_of
from labref.session.assemble import assemble, trace_writer
from labref.session.cycle import Acknowledged, announce, run_pass
from labref.session.memory import MemorySource
from labref.session.questions import Questions
from labref.session.reports import Cleared
from labref.session.shot_memory import ShotMemory
from labref.session.shots import Shot, Shots
from labref.session.sources import Source
from labref.session.status import Status

# Woken by data, at most every 2 ms and at least every 100 ms.
LONGEST_WAIT_S = 0.1
SHORTEST_WAIT_S = 0.002
# Outputs that are not at their safe value by then stay where they are: in their harmless range.
LONGEST_WIND_DOWN_S = 10.0


class Session:
    """Runs the pass for ``lab`` over ``sources``; with ``out`` a trace is written there.

    ``plugins``: loaded plugins (`labref.plugins.load_plugins`). ``segment_s``: span of a live
    segment of the trace, in the readings' own time. Raises InputError where the lab
    cannot be watched (a transition that no check judges).
    ``ports``: outputs of the experiment's own, by name of their ``[outputs.NAME]``; those of
    instruments that ``sources`` read are found. With ``rehearse`` nothing moves and a log is kept.
    """

    def __init__(
        self,
        lab: Lab,
        sources: Sequence[Source],
        plugins: Plugins,
        *,
        out: Path | str | None = None,
        clock: Clock | None = None,
        segment_s: float = 3600.0,
        ports: Mapping[str, Port] | None = None,
        rehearse: bool = False,
    ) -> None:
        self.lab = lab
        self.clock: Clock = RealClock() if clock is None else clock
        self._woken = threading.Event()
        self._pushed = MemorySource("push", self._woken.set)
        self._writer = None if out is None else trace_writer(lab, Path(out), self.clock, segment_s)
        reach = {**ports_of(lab, sources), **(ports or {})}
        actuators = actuators_of(lab, plugins, reach)
        self._parts = assemble(
            lab,
            [*sources, self._pushed],
            plugins,
            self.clock,
            self._writer,
            actuators,
            None if out is None else Path(out),
        )
        self.actuation = runner_of(lab, actuators, reach, plugins, self.clock, rehearse=rehearse)
        self._parts.acts = self.actuation
        self.people = self._parts.people
        if self.actuation is not None:
            self.actuation.veto = self.people.veto
        self._status = self._parts.standings.first()
        self._sources = list(sources)
        self._passed = threading.Condition()
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None
        self._begun = False
        self._closed = False
        folder = None if out is None else Path(out)
        memory = ShotMemory(self._parts, folder, lambda: self._status)
        self._questions = Questions(self._parts, folder, memory)
        self._shots = Shots(self._parts, memory, plugins, self._wait)

    # the experiment's questions ----------------------------------------------------------

    @property
    def status(self) -> Status:
        """The snapshot of the last pass; never changes once handed out."""
        return self._status

    def was_good(self, transition: str, start_ns: int, stop_ns: int) -> bool | None:
        """Whether the transition was good all through the window; None is unknown."""
        return self._questions.was_good(transition, start_ns, stop_ns)

    def frequency(self, transition: str, start_ns: int, stop_ns: int) -> WindowMean:
        """Mean frequency at the atoms over the window, with uncertainty and coverage."""
        return self._questions.frequency(transition, start_ns, stop_ns)

    def wait_good(self, transitions: str | Sequence[str], timeout_s: float) -> bool:
        """Wait until every one is good, at most ``timeout_s``; whether they are.

        Waits on the pass's thread when it runs, else steps by itself.
        """
        names = [transitions] if isinstance(transitions, str) else list(transitions)
        return self._wait(lambda: all(self.status.is_good(name) for name in names), timeout_s)

    def shot(
        self,
        shot: str,
        transitions: str | Sequence[str] | None = None,
        *,
        wait_good_s: float | None = None,
        clock: WindowClock | None = None,
    ) -> Shot:
        """A window of the experiment, as a context manager: see `labref.session.shots`.

        ``transitions``: None is all. ``wait_good_s``: wait so long for all of them to be good
        before the block is entered, else RefusedError. ``clock``: whose stamps the window has.
        """
        return self._shots.make(shot, transitions, wait_good_s, clock)

    def _wait(self, is_done: Callable[[], bool], timeout_s: float) -> bool:
        end_s = self.clock.monotonic_s() + timeout_s
        while not is_done():
            left_s = end_s - self.clock.monotonic_s()
            if left_s <= 0 or self._closed or (not self.running and self.finished):
                return False
            if self.running:
                with self._passed:
                    self._passed.wait(min(left_s, LONGEST_WAIT_S))
            else:
                self.step()
                self.clock.wait(min(left_s, SHORTEST_WAIT_S))
        return True

    def push(
        self, channel: str, start_ns: int, stop_ns: int, offset: float, u: float | None = None
    ) -> None:
        """Hand in a reading of the experiment's own: offset from the channel's nominal.

        ``u``: its standard uncertainty. Raises InputError for a channel the lab does not have.
        """
        if channel not in self.lab.channels:
            known = ", ".join(sorted(self.lab.channels))
            raise InputError(f"no channel {channel!r}; this lab has: {known}")
        if stop_ns <= start_ns:
            raise InputError(f"channel {channel!r}: a reading ends after it begins")
        errors = None if u is None else [u]
        self._pushed.put(block(channel, [start_ns], [stop_ns], [offset], errors=errors))

    def acknowledge(self, subject: str, kind: str, by: str) -> None:
        """Say that a person, ``by``, has seen an alarm: latched ones may clear (next pass).

        Raises InputError for a transition that the lab does not have, or without a name.
        """
        self._transition(subject)
        if not by.strip():
            raise InputError("acknowledging needs the name of the person who has seen it")
        self._parts.acknowledged.append(Acknowledged(subject, kind, by.strip()))
        self._woken.set()

    def report(self, report: Alarm | Fault | Cleared) -> None:
        """Hand in an alarm, a fault or its end from beside the pass, which stores and tells it."""
        self._parts.reports.put(report)
        self._woken.set()

    # what services see -------------------------------------------------------------------

    def remembered(self, transition: str, start_ns: int, stop_ns: int) -> list[Result]:
        """Results in memory (an hour at least) that touch the window, in the order of time."""
        return self._parts.history[self._transition(transition)].results(start_ns, stop_ns)

    def remembers_from_ns(self, transition: str) -> int | None:
        """Start of the oldest result in memory; None while there is none."""
        return self._parts.history[self._transition(transition)].begin_ns

    def newest(self, transition: str) -> Result | None:
        """The last block of results; None before the first."""
        return self._parts.history[self._transition(transition)].newest

    @property
    def standing_faults(self) -> Mapping[str, str]:
        """What does not work now: where to what was said of it."""
        return self._parts.announcer.standing

    def read_back(self) -> dict[str, dict[str, Setting | None]]:
        """By instrument: its settings as they were read back last; None where not read yet."""
        instruments = [getattr(reader, "instrument", None) for reader in self._parts.readers]
        return {one.setup.name: one.read_back() for one in instruments if one is not None}

    @property
    def storage_problem(self) -> str | None:
        """Why rows wait for the trace; None while they are stored as they come."""
        return None if self._writer is None else self._writer.problem

    def _transition(self, name: str) -> str:
        if name not in self._parts.history:
            known = ", ".join(sorted(self._parts.history))
            raise InputError(f"no transition {name!r}; this lab has: {known}")
        return name

    # the loop ----------------------------------------------------------------------------

    def step(self) -> Status:
        """Run one pass in the caller's thread. Raises InputError while the thread runs."""
        if self.running and threading.current_thread() is not self._thread:
            raise InputError("the pass runs in its own thread: step() is for sessions without")
        self._begin()
        self._status = status = run_pass(self._parts)
        self._shots.settle()
        with self._passed:
            self._passed.notify_all()
        return status

    def start(self) -> None:
        """Run the pass in a thread of its own until :meth:`stop`."""
        if self.running:
            return
        self._begin()
        self._ending.clear()
        self._thread = threading.Thread(target=self._loop, name="labref pass", daemon=True)
        self._thread.start()

    def stop(self, reason: str = "stopped") -> list[Path]:
        """End the pass, stop the sources, seal the trace: the paths of what was written."""
        if self._closed:
            return []
        self._ending.set()
        self._woken.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None
        self._wind_down(reason)
        self._closed = True
        for source in self._sources:
            source.stop()
        self._shots.close()
        if self._begun:
            self._parts.announcer.tell("on_stop", self.clock.now_ns(), reason=reason)
        if self._writer is None:
            return []
        self._parts.close_validity()
        return self._writer.close()

    def _wind_down(self, reason: str) -> None:
        """Bring every attempt to its safe action while the readers still run; never for long."""
        acts = self.actuation
        if acts is None:
            return
        acts.wind_down(f"session {reason}")
        end_s = self.clock.monotonic_s() + LONGEST_WIND_DOWN_S
        try:
            while self._begun and not acts.quiet and self.clock.monotonic_s() < end_s:
                run_pass(self._parts)
                self.clock.wait(SHORTEST_WAIT_S)
        except Exception as error:  # noqa: BLE001 - the session must end whatever fails
            self._parts.announcer.fault(Fault("pass", repr(error), self.clock.now_ns()))
        announce(self._parts, acts.close(), self.clock.now_ns())

    def wake(self) -> None:
        """Say that data is there: sources call it, the pass's thread wakes."""
        self._woken.set()

    @property
    def running(self) -> bool:
        """Whether the pass has a thread of its own now."""
        return self._thread is not None and self._thread.is_alive()

    @property
    def finished(self) -> bool:
        """Whether no source will ever bring anything again."""
        return bool(self._sources) and all(source.finished for source in self._sources)

    @property
    def faults(self) -> tuple[Fault, ...]:
        """The last faults, oldest first."""
        return tuple(self._parts.announcer.faults)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop("stopped" if error is None else f"stopped by {kind.__name__ if kind else ''}")

    def _begin(self) -> None:
        if self._closed:
            raise InputError("this session was stopped; make a new one")
        if self._begun:
            return
        self._begun = True
        self._parts.announcer.tell("on_start", self.clock.now_ns(), lab=self.lab)
        for source in self._sources:
            source.start()

    def _loop(self) -> None:
        while not self._ending.is_set():
            self._woken.clear()
            begun_s = self.clock.monotonic_s()
            try:
                self.step()
            except Exception as error:  # noqa: BLE001 - the loop outlives any single pass
                fault = Fault("pass", repr(error), self.clock.now_ns())
                self._parts.announcer.fault(fault)
            spent_s = self.clock.monotonic_s() - begun_s
            if spent_s < SHORTEST_WAIT_S:
                self._ending.wait(SHORTEST_WAIT_S - spent_s)
            self._woken.wait(LONGEST_WAIT_S)
