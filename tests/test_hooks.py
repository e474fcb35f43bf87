"""Every hook is documented, and has a test here that bears its name."""

from __future__ import annotations

import inspect
from typing import Any

import pytest

from labref.hookspecs import Hooks, hookimpl
from labref.model.errors import InputError
from labref.model.fault import Fault
from labref.plugins import FAILURES_BEFORE_QUARANTINE, Plugins, load_plugins

HOOKS = [name for name, _ in inspect.getmembers(Hooks, inspect.isfunction) if name[0] != "_"]
REGISTER = [name for name in HOOKS if name.startswith("register_")]
TOLD = [name for name in HOOKS if name.startswith("on_")]


class Listener:
    """Implements every hook that tells, and remembers what it was told."""

    def __init__(self) -> None:
        self.told: list[tuple[str, Any]] = []

    @hookimpl
    def on_start(self, lab: Any) -> None:
        self.told.append(("on_start", lab))

    @hookimpl
    def on_readings(self, readings: Any) -> None:
        self.told.append(("on_readings", readings))

    @hookimpl
    def on_results(self, results: Any) -> None:
        self.told.append(("on_results", results))

    @hookimpl
    def on_alarm(self, alarm: Any) -> None:
        self.told.append(("on_alarm", alarm))

    @hookimpl
    def on_attempt(self, attempt: Any) -> None:
        self.told.append(("on_attempt", attempt))

    @hookimpl
    def on_shot(self, shot: Any) -> None:
        self.told.append(("on_shot", shot))

    @hookimpl
    def on_note(self, note: Any) -> None:
        self.told.append(("on_note", note))

    @hookimpl
    def on_fault(self, fault: Any) -> None:
        self.told.append(("on_fault", fault))

    @hookimpl
    def on_stop(self, reason: str) -> None:
        self.told.append(("on_stop", reason))


def plugins(*extra: object) -> Plugins:
    return load_plugins(only=(), extra=[(f"extra{i}", plugin) for i, plugin in enumerate(extra)])


@pytest.mark.parametrize("hook", HOOKS)
def test_every_hook_says_what_it_is_for(hook: str) -> None:
    assert inspect.getdoc(getattr(Hooks, hook))


@pytest.mark.parametrize("hook", TOLD)
def test_every_telling_hook_reaches_a_listener(hook: str) -> None:
    listener = Listener()
    argument = next(iter(list(inspect.signature(getattr(Hooks, hook)).parameters)[1:]))
    faults = plugins(listener).tell(hook, 0, {argument: "value"})
    assert listener.told == [(hook, "value")]
    assert faults == []


@pytest.mark.parametrize("hook", REGISTER)
def test_every_asking_hook_returns_things(hook: str) -> None:
    class Giver:
        pass

    wants_lab = "lab" in inspect.signature(getattr(Hooks, hook)).parameters

    def with_lab(lab: Any) -> list[str]:
        return [f"thing for {lab}"]

    def without() -> list[str]:
        return ["thing"]

    implementation = with_lab if wants_lab else without
    implementation.__name__ = hook
    giver = Giver()
    setattr(giver, hook, hookimpl(implementation))
    values = {"lab": "lab"} if wants_lab else {}
    expected = "thing for lab" if wants_lab else "thing"
    assert plugins(giver).ask(hook, **values) == [("extra0", [expected])]


def test_allow_attempt_is_vetoed_by_false_and_by_an_exception() -> None:
    class Yes:
        @hookimpl
        def allow_attempt(self, attempt: Any) -> bool:
            return True

    class No:
        @hookimpl
        def allow_attempt(self, attempt: Any) -> bool:
            return False

    class Broken:
        @hookimpl
        def allow_attempt(self, attempt: Any) -> bool:
            raise RuntimeError("broken")

    assert plugins().allows(attempt=1) == (True, "")
    assert plugins(Yes()).allows(attempt=1) == (True, "")
    assert plugins(Yes(), No()).allows(attempt=1) == (False, "extra1")
    allowed, why = plugins(Broken(), Yes()).allows(attempt=1)
    assert not allowed
    assert "broken" in why


def test_one_failing_listener_does_not_keep_another_from_hearing() -> None:
    class Broken:
        calls = 0

        @hookimpl
        def on_results(self, results: Any) -> None:
            Broken.calls += 1
            raise RuntimeError("broken")

    listener = Listener()
    loaded = plugins(listener, Broken())
    for _ in range(10):
        loaded.tell("on_results", 7, {"results": ()})
    assert len(listener.told) == 10
    assert Broken.calls == FAILURES_BEFORE_QUARANTINE


def test_failures_come_back_as_faults_and_quarantine_is_said() -> None:
    class Broken:
        @hookimpl
        def on_stop(self, reason: str) -> None:
            raise RuntimeError("no")

    loaded = plugins(Broken())
    faults = [loaded.tell("on_stop", 7, {"reason": ""}) for _ in range(4)]
    assert faults[0] == [Fault("plugin extra0", "on_stop: RuntimeError('no')", 7)]
    assert "no longer called" in faults[2][-1].what
    assert faults[3] == []


def test_a_success_in_between_resets_the_count() -> None:
    class Sometimes:
        calls = 0

        @hookimpl
        def on_stop(self, reason: str) -> None:
            self.calls += 1
            if self.calls % 3:
                raise RuntimeError("no")

    plugin = Sometimes()
    loaded = plugins(plugin)
    for _ in range(12):
        loaded.tell("on_stop", 7, {"reason": ""})
    assert plugin.calls == 12


def test_asking_a_plugin_that_raises_names_it() -> None:
    class Broken:
        @hookimpl
        def register_checks(self, lab: Any) -> list[Any]:
            raise RuntimeError("no")

    with pytest.raises(InputError, match=r"extra0.*register_checks"):
        plugins(Broken()).ask("register_checks", lab=None)


def test_a_misspelt_hook_and_a_wrong_argument_leave_the_plugin_out_and_say_so() -> None:
    class Misspelt:
        @hookimpl
        def on_result(self, results: Any) -> None:
            pass

    class WrongArgument:
        @hookimpl
        def on_results(self, outcome: Any) -> None:
            pass

    good = Listener()
    loaded = plugins(Misspelt(), WrongArgument(), good)
    assert len(loaded.problems) == 2
    assert "extra0" in loaded.problems[0]
    loaded.tell("on_results", 0, {"results": ()})
    assert good.told == [("on_results", ())]


def test_two_plugins_that_own_one_table_are_refused() -> None:
    class Owner:
        @hookimpl
        def register_tables(self) -> dict[str, type]:
            return {"mine": dict}

    with pytest.raises(InputError, match=r"extra0.*extra1.*\[mine\]"):
        plugins(Owner(), Owner()).tables()


def test_a_plugin_that_is_not_installed_is_named() -> None:
    with pytest.raises(InputError, match="'nobody' is not installed"):
        load_plugins(only=["nobody"])
