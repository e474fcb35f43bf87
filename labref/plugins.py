"""Finding and loading plugins: by entry point, each inside its own try.

One plugin that fails at import is reported and left out; it never takes the program down.
"""

from __future__ import annotations

import functools
import importlib.metadata
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import pluggy

from labref.hookspecs import PROJECT, Hooks
from labref.model.errors import InputError
from labref.model.fault import Fault

GROUP = "labref"
FAILURES_BEFORE_QUARANTINE = 3


@dataclass
class Plugins:
    """The loaded plugins: ask them once, tell them things, put the one question.

    ``problems`` lists what could not be loaded. ``tell`` never raises.
    """

    manager: pluggy.PluginManager
    problems: list[str] = field(default_factory=list)
    _listeners: dict[str, list[tuple[str, Callable[..., Any], tuple[str, ...]]]] = field(
        default_factory=dict
    )
    _failures: dict[tuple[str, str], int] = field(default_factory=dict)

    def ask(self, hook: str, **values: Any) -> list[tuple[str, Any]]:
        """Call a ``register_*`` hook: (plugin, what it returned), in order of registration.

        Raises InputError naming the plugin when an implementation raises: a lab that is
        only partly checked must not start.
        """
        answers = []
        for name, function, arguments in self._implementations(hook):
            try:
                answer = function(*(values[argument] for argument in arguments))
            except Exception as error:
                raise InputError(f"plugin {name!r}: {hook} failed: {error!r}") from error
            if answer is not None:
                answers.append((name, answer))
        return answers

    def tables(self) -> dict[str, type]:
        """Tables of the lab file that plugins own. Raises InputError where two claim one."""
        owners: dict[str, str] = {}
        found: dict[str, type] = {}
        for name, tables in self.ask("register_tables"):
            for key, struct in tables.items():
                if key in found:
                    raise InputError(f"plugins {owners[key]!r} and {name!r} both own [{key}]")
                owners[key], found[key] = name, struct
        return found

    def tell(self, hook: str, now_ns: int, values: Mapping[str, Any]) -> list[Fault]:
        """Announce to every plugin, one by one; failures come back as faults."""
        listeners = self._listeners.get(hook)
        if listeners is None:
            listeners = self._listeners[hook] = self._implementations(hook)
        faults: list[Fault] = []
        for listener in tuple(listeners):
            name, function, arguments = listener
            try:
                function(*[values[argument] for argument in arguments])
            except Exception as error:  # noqa: BLE001 - a listener must not stop the pass
                faults.extend(self._failed(hook, listener, error, now_ns))
            else:
                if self._failures:
                    self._failures.pop((hook, name), None)
        return faults

    def allows(self, **values: Any) -> tuple[bool, str]:
        """Put the question ``allow_attempt``: (allowed, who vetoed). Exceptions veto."""
        for name, function, arguments in self._implementations("allow_attempt"):
            try:
                if function(*(values[argument] for argument in arguments)) is False:
                    return False, name
            except Exception as error:  # noqa: BLE001 - rule: any exception vetoes
                return False, f"{name}: {error!r}"
        return True, ""

    def _failed(
        self,
        hook: str,
        listener: tuple[str, Callable[..., Any], tuple[str, ...]],
        error: Exception,
        now_ns: int,
    ) -> list[Fault]:
        name = listener[0]
        count = self._failures.get((hook, name), 0) + 1
        self._failures[(hook, name)] = count
        faults = [Fault(f"plugin {name}", f"{hook}: {error!r}", now_ns)]
        if count >= FAILURES_BEFORE_QUARANTINE:
            self._listeners[hook].remove(listener)
            what = f"{hook} failed {count} times in a row and is no longer called"
            faults.append(Fault(f"plugin {name}", what, now_ns))
        return faults

    def _implementations(self, hook: str) -> list[tuple[str, Callable[..., Any], tuple[str, ...]]]:
        caller = getattr(self.manager.hook, hook)
        return [
            (impl.plugin_name, impl.function, tuple(impl.argnames))
            for impl in caller.get_hookimpls()
        ]


def load_plugins(
    only: Iterable[str] | None = None, extra: Sequence[tuple[str, object]] = ()
) -> Plugins:
    """Load installed plugins (all, or those named in ``only``) and ``extra`` (name, object).

    A plugin that cannot be loaded is listed in ``problems``. Raises InputError when a name in
    ``only`` is not installed.
    """
    manager = pluggy.PluginManager(PROJECT)
    manager.add_hookspecs(Hooks)
    plugins = Plugins(manager)
    points = {point.name: point for point in importlib.metadata.entry_points(group=GROUP)}
    wanted = list(points) if only is None else list(only)
    for name in wanted:
        if name not in points:
            known = ", ".join(sorted(points)) or "none"
            raise InputError(f"plugin {name!r} is not installed; installed are: {known}")
        _register(plugins, name, points[name].load)
    for name, plugin in extra:
        _register(plugins, name, functools.partial(_itself, plugin))
    return plugins


def _itself(plugin: object) -> object:
    return plugin


def _register(plugins: Plugins, name: str, load: Callable[[], object]) -> None:
    plugin: object | None = None
    try:
        plugin = load()
        if isinstance(plugin, type):
            plugin = plugin()  # a plugin with a state of its own: one for each session's plugins
        plugins.manager.register(plugin, name)
        plugins.manager.check_pending()
    except Exception as error:  # noqa: BLE001 - one broken plugin must not stop the rest
        if plugin is not None and plugins.manager.is_registered(plugin):
            plugins.manager.unregister(plugin)
        plugins.problems.append(f"plugin {name!r} left out: {error}")
