"""Arming over the local socket: cautions first, owner only, no output can be set (S5)."""

from __future__ import annotations

import json
import os
import stat
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from labref.cli.act import command
from labref.model.errors import InputError, LinkError, RefusedError
from labref.model.times import VirtualClock
from labref.session.control import NAME, Control, ControlSocket, ask_control


class Desk:
    """Remembers what it was asked."""

    def __init__(self) -> None:
        self.did: list[tuple[Any, ...]] = []

    def ask_to_arm(self, name: str, by: str, *, remote: bool = False) -> Any:
        if remote:
            raise RefusedError("remote arming is off")
        if name != "laser_a":
            raise InputError(f"no actuator {name!r}")
        return type("Asked", (), {"cautions": ("mind your eyes",), "token": "t0ken"})()

    def arm(self, token: str) -> None:
        self.did.append(("arm", token))

    def disarm(self, name: str | None = None, by: str = "") -> None:
        self.did.append(("disarm", name, by))

    def hands_on(self, by: str, until_ns: int) -> None:
        self.did.append(("hands on", by, until_ns))

    def hands_off(self, by: str) -> None:
        self.did.append(("hands off", by))


class Runner:
    """As much of a runner as the socket sees."""

    def __init__(self) -> None:
        self.desk = Desk()

    def state(self) -> dict[str, Any]:
        one = {"armed_by": None, "armed_for_s": 0.0, "running": False, "waits_for": ""}
        return {"rehearsal": False, "hands_on": "", "actuators": {"laser_a": one}}


def control(runner: Any = None) -> Control:
    return Control(runner, VirtualClock(1000))


@given(st.binary(max_size=200))
def test_any_bytes_get_an_answer(line: bytes) -> None:
    assert control(Runner()).answer(line)["ok"] is False


@given(st.dictionaries(st.sampled_from(["do", "actuator", "by", "token", "seconds"]), st.none()
                       | st.integers() | st.text(max_size=5), max_size=5))  # fmt: skip
def test_any_request_gets_an_answer(request: dict[str, Any]) -> None:
    assert "ok" in control(Runner()).answer(json.dumps(request).encode())


def test_who_does_not_say_that_he_is_here_is_remote() -> None:
    answer = control(Runner()).answer(b'{"do": "ask", "actuator": "laser_a", "by": "x"}')
    assert answer["refused"] is True


def test_without_actuators_there_is_nothing_to_arm() -> None:
    assert control(None).answer(b'{"do": "state"}')["refused"] is True


def test_over_the_socket_by_the_command(tmp_path: Path) -> None:
    runner, cli = Runner(), CliRunner()
    run = ["--folder", str(tmp_path)]
    with ControlSocket(control(runner), tmp_path):
        mode = stat.S_IMODE(os.stat(tmp_path / NAME).st_mode)  # noqa: PTH116 - the socket itself
        assert mode & 0o077 == 0
        assert "laser_a: disarmed" in cli.invoke(command, run).output
        no = cli.invoke(command, [*run, "arm", "laser_a", "--by", "A. Person"], input="yes\n")
        assert "mind your eyes" in no.output
        assert no.exit_code == 1
        assert runner.desk.did == []
        arm = [*run, "arm", "laser_a", "--by", "A. Person"]
        assert cli.invoke(command, arm, input="laser_a\n").exit_code == 0
        cli.invoke(command, [*run, "hands-on", "--for", "1h", "--by", "B"])
        cli.invoke(command, [*run, "hands-off", "--by", "B"])
        cli.invoke(command, [*run, "disarm", "--by", "B"])
        with pytest.raises(InputError, match="no actuator"):
            ask_control(tmp_path, do="ask", actuator="other", by="x", remote=False)
    assert runner.desk.did == [
        ("arm", "t0ken"),
        ("hands on", "B", 1000 + 3600 * 10**9),
        ("hands off", "B"),
        ("disarm", None, "B"),
    ]
    with pytest.raises(LinkError, match="no session"):
        ask_control(tmp_path, do="state")
