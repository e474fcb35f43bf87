"""The hooks: how a plugin adds things, is told things, and may veto an attempt.

A plugin adds *things* through a hook; a thing does *work* through a small Protocol.
Arguments are values, never the session. Three families:

- asked once, at the start: ``register_*``; each returns things;
- told: ``on_*``; guarded, cannot change data; an implementation that raises is reported,
  and after three failures in a row it is no longer called;
- one question: ``allow_attempt``; any False, and any exception, vetoes.

Implementations may leave out arguments they do not need.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import pluggy

from labref.model.fault import Fault
from labref.model.note import Note
from labref.model.readings import Readings
from labref.model.result import Result
from labref.model.verdict import Alarm

PROJECT = "labref"

hookspec = pluggy.HookspecMarker(PROJECT)
hookimpl = pluggy.HookimplMarker(PROJECT)


class Hooks:
    """Every hook of labref, with its arguments."""

    # asked once -------------------------------------------------------------------------

    @hookspec
    def register_tables(self) -> Mapping[str, type]:  # type: ignore[empty-body]
        """Return the plugin's own tables of the lab file: name to msgspec Struct type."""

    @hookspec
    def register_transports(self) -> Mapping[str, Callable[..., Any]]:  # type: ignore[empty-body]
        """Return transports: address prefix to a factory that takes (address, timeout_s)."""

    @hookspec
    def register_dialects(self) -> Mapping[str, Any]:  # type: ignore[empty-body]
        """Return dialects: name to dialect, see `labref.drivers`."""

    @hookspec
    def register_transitions(self) -> Iterable[Any]:  # type: ignore[empty-body]
        """Return catalogue entries to be found by ``line = "..."`` of a lab file."""

    @hookspec
    def register_checks(self, lab: Any) -> Iterable[Any]:  # type: ignore[empty-body]
        """Return the checks (`labref.checks.base.Check`) that this lab needs."""

    @hookspec
    def register_actuators(self, lab: Any) -> Iterable[Any]:  # type: ignore[empty-body]
        """Return the actuators of this lab. None is ever armed by being registered."""

    @hookspec
    def register_statistics(self) -> Mapping[str, Callable[..., Any]]:  # type: ignore[empty-body]
        """Return statistics: name to function, see `labref.stability.catalog`."""

    @hookspec
    def register_report_sections(self) -> Iterable[Any]:  # type: ignore[empty-body]
        """Return sections that a report adds after its own."""

    # told -------------------------------------------------------------------------------

    @hookspec
    def on_start(self, lab: Any) -> None:
        """Say that the first pass is about to run for ``lab``."""

    @hookspec
    def on_readings(self, readings: Sequence[Readings]) -> None:
        """Hand over all readings of this pass, already stored."""

    @hookspec
    def on_results(self, results: Sequence[Result]) -> None:
        """Hand over frequencies and verdicts of this pass as blocks, already stored."""

    @hookspec
    def on_alarm(self, alarm: Alarm) -> None:
        """Say that an alarm was raised or cleared."""

    @hookspec
    def on_attempt(self, attempt: Any) -> None:
        """Say that an actuator began, stepped or ended an attempt."""

    @hookspec
    def on_shot(self, shot: Any) -> None:
        """Hand over the record of a finished shot."""

    @hookspec
    def on_note(self, note: Note) -> None:
        """Hand over a note, or that hands were laid on a laser or taken off."""

    @hookspec
    def on_fault(self, fault: Fault) -> None:
        """Say that a check, plugin, instrument or the trace failed."""

    @hookspec
    def on_stop(self, reason: str) -> None:
        """Say that the session ends; the trace is still open."""

    # one question -----------------------------------------------------------------------

    @hookspec
    def allow_attempt(self, attempt: Any) -> bool:  # type: ignore[empty-body]
        """Return False to veto an attempt of an actuator."""
