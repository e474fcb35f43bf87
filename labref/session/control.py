"""Arming from the same computer: a socket in the trace folder, for its owner only.

One connection, one JSON line each way, closed. It reaches `labref.actuation.desk` and nothing
else; no value of any output can be set through it. A service that arms from afar must say so
(``remote``), and is refused unless the lab file permits it.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from labref.actuation.runner import Runner
from labref.model.errors import InputError, LabrefError, RefusedError
from labref.model.times import NS_PER_S, Clock
from labref.session.folder_socket import FolderSocket, ask, read_line
from labref.session.people import People

NAME = "act.sock"
_LONGEST_HANDS_ON_S = 30 * 86_400


class Control:
    """Answers requests about one runner: plain values in, plain values out."""

    def __init__(self, runner: Runner | None, clock: Clock, people: People | None = None) -> None:
        self._runner, self._clock, self._people = runner, clock, people
        self._words: dict[str, Callable[[dict[str, Any]], dict[str, Any]]] = {
            "state": lambda _: {"state": self._known.state()},
            "ask": self._ask,
            "arm": self._arm,
            "disarm": self._disarm,
            "hands on": self._hands_on,
            "hands off": self._hands_off,
            "hands": lambda _: {"hands": self._at_hand.state()},
            "hands on laser": self._hands_on_laser,
            "hands off laser": self._hands_off_laser,
            "note": self._note,
        }

    def answer(self, line: bytes) -> dict[str, Any]:
        """Answer one request; whatever is wrong becomes ``error``, never an exception."""
        try:
            request = json.loads(line)
        except ValueError as error:
            return {"ok": False, "error": str(error), "refused": False}
        return self.answer_values(request)

    def answer_values(self, request: object) -> dict[str, Any]:
        """Answer one request that is plain values already, as `answer` does."""
        try:
            if not isinstance(request, dict) or request.get("do") not in self._words:
                raise InputError(f"one of {', '.join(self._words)} is meant")
            return {"ok": True, **self._words[request["do"]](request)}
        except (ValueError, LabrefError) as error:
            return {"ok": False, "error": str(error), "refused": isinstance(error, RefusedError)}

    @property
    def _known(self) -> Runner:
        if self._runner is None:
            raise RefusedError("this lab file opts no actuator in: there is nothing to arm")
        return self._runner

    def _ask(self, request: dict[str, Any]) -> dict[str, Any]:
        remote = request.get("remote") is not False
        asked = self._known.desk.ask_to_arm(
            _text(request, "actuator"), _text(request, "by"), remote=remote
        )
        return {"cautions": list(asked.cautions), "token": asked.token}

    def _arm(self, request: dict[str, Any]) -> dict[str, Any]:
        self._known.desk.arm(_text(request, "token"))
        return {}

    def _disarm(self, request: dict[str, Any]) -> dict[str, Any]:
        name = request.get("actuator")
        by = str(request.get("by") or "a person")
        self._known.desk.disarm(None if name is None else str(name), by)
        return {}

    def _hands_on(self, request: dict[str, Any]) -> dict[str, Any]:
        seconds = request.get("seconds")
        if not isinstance(seconds, int | float) or not 0 < seconds <= _LONGEST_HANDS_ON_S:
            raise InputError("hands-on lasts up to 30 days")
        until_ns = self._clock.now_ns() + round(seconds * NS_PER_S)
        self._known.desk.hands_on(_text(request, "by"), until_ns)
        return {"until_ns": until_ns}

    def _hands_off(self, request: dict[str, Any]) -> dict[str, Any]:
        self._known.desk.hands_off(_text(request, "by"))
        return {}

    @property
    def _at_hand(self) -> People:
        if self._people is None:
            raise RefusedError("this session takes no notes")
        return self._people

    def _hands_on_laser(self, request: dict[str, Any]) -> dict[str, Any]:
        seconds = request.get("seconds")
        if not isinstance(seconds, int | float):
            raise InputError("'seconds' is missing")
        name, by = _text(request, "name"), _text(request, "by")
        return {"lasers": list(self._at_hand.hands_on(name, by, seconds))}

    def _hands_off_laser(self, request: dict[str, Any]) -> dict[str, Any]:
        name, by = _text(request, "name"), _text(request, "by")
        return {"lasers": list(self._at_hand.hands_off(name, by))}

    def _note(self, request: dict[str, Any]) -> dict[str, Any]:
        about = str(request.get("about") or "")
        note = self._at_hand.note(_text(request, "text"), _text(request, "by"), about)
        return {"time_ns": note.time_ns}


def _text(request: dict[str, Any], key: str) -> str:
    value = request.get(key)
    if not isinstance(value, str) or not value.strip():
        raise InputError(f"{key!r} is missing")
    return value


class ControlSocket(FolderSocket):
    """Answers while it is open: a context manager. Readable and writable by its owner only."""

    def __init__(self, control: Control, folder: Path) -> None:
        super().__init__(folder, NAME, lambda peer: control.answer(read_line(peer)))


def ask_control(folder: Path, **request: Any) -> dict[str, Any]:
    """Ask the session that records into ``folder``. LinkError when none answers.

    Raises RefusedError or InputError with what the session says.
    """
    answer = ask(folder, NAME, request)
    if not answer["ok"]:
        raise (RefusedError if answer["refused"] else InputError)(answer["error"])
    return answer
