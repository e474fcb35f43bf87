"""Plans: points that are kept only when good, and a run that carries its gates along.

bluesky is loaded when a plan runs, and not before.
"""

from __future__ import annotations

import importlib
import uuid
from collections.abc import Generator, Iterable, Sequence
from typing import Any

from labref.model.errors import RefusedError
from labref_bluesky.flyer import TransitionFlyer
from labref_bluesky.window import PointWindow

Plan = Generator[Any, Any, Any]
MOST_ATTEMPTS = 20


def good_point(
    detectors: Sequence[Any],
    window: PointWindow,
    stream: str = "primary",
    attempts: int = MOST_ATTEMPTS,
) -> Plan:
    """Read ``detectors`` until all of the point's window was good; returns the tries it took.

    A point that was not good, or of which nobody knows, is dropped, never saved. Checkpoints
    stand before every try and after the saved one, so that a suspension repeats no saved point.
    Raises RefusedError after ``attempts``.
    """
    msg = importlib.import_module("bluesky.utils").Msg
    for attempt in range(1, attempts + 1):
        yield msg("checkpoint")
        window.begin()
        group = str(uuid.uuid4())
        for detector in detectors:
            if hasattr(detector, "trigger"):
                yield msg("trigger", detector, group=group)
        yield msg("wait", None, group=group)
        yield msg("trigger", window, group=f"{group} window")
        yield msg("wait", None, group=f"{group} window")
        yield msg("create", None, name=stream)
        for thing in (*detectors, window):
            yield msg("read", thing)
        if window.is_good is True:
            yield msg("save")
            yield msg("checkpoint")
            return attempt
        yield msg("drop")
    raise RefusedError(
        f"{window.name}: no good point in {attempts} tries: {window.record[_first(window)].reason}"
    )


def _first(window: PointWindow) -> str:
    return window.record.means[0].transition


def with_gates(plan: Plan, flyers: Iterable[TransitionFlyer]) -> Plan:
    """Preprocessor: declare and kick off after each open_run, complete and collect before its end.

    Each flyer has a stream of its own name.
    """
    msg = importlib.import_module("bluesky.utils").Msg
    mutate = importlib.import_module("bluesky.preprocessors").plan_mutator
    flyers = list(flyers)

    def begin() -> Plan:
        for flyer in flyers:
            yield msg("declare_stream", None, flyer, name=flyer.name, collect=True)
            yield msg("kickoff", flyer, group="labref begin")
        yield msg("wait", None, group="labref begin")

    def end() -> Plan:
        for flyer in flyers:
            yield msg("complete", flyer, group="labref end")
        yield msg("wait", None, group="labref end")
        for flyer in flyers:
            yield msg("collect", flyer, name=flyer.name)

    def insert(message: Any) -> tuple[Plan | None, Plan | None]:
        if message.command == "open_run":
            return None, begin()
        if message.command == "close_run":
            return _followed(end(), message), None
        return None, None

    return (yield from mutate(plan, insert))


def _followed(before: Plan, message: Any) -> Plan:
    yield from before
    return (yield message)
