"""How a service is attached to a run, and what it costs whoever does not want one."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest

from labref.cli import serving
from labref.model.errors import InputError
from labref.model.verdict import State
from labref.plugins import load_plugins


def points(monkeypatch: pytest.MonkeyPatch, *found: Any) -> None:
    monkeypatch.setattr(serving.importlib.metadata, "entry_points", lambda group: found)


class Service:
    """A service of straw that hears the session."""

    def __init__(self, enquiries: Any, at: str | None) -> None:
        self.at, self.log = at, enquiries

    def __enter__(self) -> str:
        self.log.append(f"began at {self.at}")
        return "an address"

    def __exit__(self, *_: object) -> None:
        self.log.append("ended")


def test_a_service_is_found_by_its_entry_point_and_ended_with_the_run(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    log: list[str] = []
    points(monkeypatch, SimpleNamespace(name="straw", load=lambda: Service))
    plugins = load_plugins([])
    with serving.services(log, plugins, "127.0.0.1:1"):  # type: ignore[arg-type]
        assert plugins.manager.has_plugin("service straw")
    assert log == ["began at 127.0.0.1:1", "ended"]
    assert "service straw: an address" in capsys.readouterr().err


def test_a_missing_package_is_said_with_its_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    def load() -> Any:
        raise ImportError("No module named 'starlette'")

    points(monkeypatch, SimpleNamespace(name="web", load=load))
    with (
        pytest.raises(InputError, match="extra 'web'"),
        serving.services(None, load_plugins([]), None),  # type: ignore[arg-type]
    ):
        pass


def test_without_any_service_serving_is_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    points(monkeypatch)
    with (
        pytest.raises(InputError, match="no service is installed"),
        serving.services(None, load_plugins([]), None),  # type: ignore[arg-type]
    ):
        pass


@pytest.mark.parametrize("module", ["labref_web", "labref_web.client", "labref.cli.run"])
def test_nothing_of_a_web_server_is_loaded_until_it_serves(module: str) -> None:
    code = (
        f"import sys, {module}; print(*({{'starlette', 'uvicorn', 'asyncio'}} & set(sys.modules)))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == ""


def test_reasons_that_several_checks_give_are_said_once(make_web: Callable[..., Any]) -> None:
    from labref.model.flags import Flag

    web = make_web()
    web.gates(2)
    for name in ("f_rep", "f_ceo", "beat", "wm"):
        web.bench.gates(name, [float("nan")], flags=int(Flag.WRITTEN | Flag.GAP | Flag.LINK))
    web.bench.clock.advance_ns(10**9)
    web.bench.session.step()
    result = web.asked.newest("clock729")
    assert sum(bool(j.states[-1] != State.GOOD) for j in result.judgements) > 1
    web.desk.tick()
    (one,) = web.ask("/api/v1/state").value["transitions"]
    assert one["state"] == "unknown"
    assert [reason["kind"] for reason in one["reasons"]] == ["link down"]


def test_acknowledging_needs_a_transition_and_a_name(make_web: Callable[..., Any]) -> None:
    session = make_web().bench.session
    with pytest.raises(InputError, match="no transition 'nobody'"):
        session.acknowledge("nobody", "link down", "Ada")
    with pytest.raises(InputError, match="name of the person"):
        session.acknowledge("clock729", "link down", " ")


LAMP = """
[channels.lamp]
nominal = 0
unit = "1"
kind = "lock lamp"
pushed = true

[witnesses.lamp_on]
kind = "level"
channel = "lamp"
limits = [-0.5, 0.5]
max_age_s = 5
"""
WATCHED = """
[reference_health.maser]
reference = "maser"
lock = { channel = "lamp", limits = [-0.5, 0.5] }
recovery_s = 3
holdover_y0 = 1e-12
holdover_drift_per_day = 1e-12
longest_holdover_s = 1
"""
NEEDS = ("[references.maser]\n", '[references.maser]\nneeds = ["lamp_on"]\n')


def reference(web: Any, lamp: float | None) -> tuple[str, str]:
    """State and text of the maser after three gates with the lamp at ``lamp``."""
    for _ in range(3):
        if lamp is not None:
            web.bench.gates("lamp", [lamp], at_ns=web.bench.clock.now_ns())
        web.gates(1)
    (one,) = web.ask("/api/v1/state").value["references"]
    return one["state"], one["text"]


def test_a_reference_is_as_its_level_witness_says(make_web: Callable[..., Any]) -> None:
    web = make_web(more=LAMP, changes=(NEEDS,))
    assert reference(web, None) == ("unknown", "lamp_on: no fresh reading of lamp")
    assert reference(web, 0.0) == ("good", "lamp_on is within its limits")
    assert reference(web, 1.0)[0] == "bad"
    web.bench.clock.advance_ns(60 * 10**9)
    web.desk.tick()
    assert web.ask("/api/v1/state").value["references"][0]["state"] == "unknown"


def test_a_reference_is_as_the_checks_that_watch_it_say(make_web: Callable[..., Any]) -> None:
    web = make_web(more=LAMP + WATCHED, plugins=("reference_health",))
    assert reference(web, None)[0] == "unknown"
    for _ in range(4):
        said = reference(web, 0.0)
    assert said == ("good", "watched, and nothing is said against it")
    state, text = reference(web, 1.0)
    assert (state, "maser" in text) == ("unknown", True)
    web.bench.clock.advance_ns(60 * 10**9)
    web.desk.tick()
    assert web.ask("/api/v1/state").value["references"][0]["state"] == "unknown"
