"""A transition as a readable, monitorable device, and "all good" as a suspender's signal.

Subscribing is idempotent, by callback: after a suspension the engine subscribes its monitors
again without having cleared them. Stamps are float seconds (a quarter of a microsecond), so the
exact integer nanoseconds are a data key of their own; so is the state, because a reading's alarm
severity never gets into an event.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from labref.model.exact import exact_text
from labref.model.times import NS_PER_S
from labref_bluesky.watch import DeviceStatus, Watch, finished

Reading = dict[str, dict[str, Any]]

# Suffix: dtype, numpy's dtype, unit.
_KEYS: Mapping[str, tuple[str, str, str | None]] = {
    "detuning_hz": ("number", "<f8", "Hz"),
    "u_hz": ("number", "<f8", "Hz"),
    "good": ("integer", "<i8", None),  # 1 good, 0 bad, -1 unknown
    "reason": ("string", "<U256", None),
    "t_ns": ("integer", "<i8", "ns"),
}


class _Subscribers:
    """Callbacks, each once, called outside the lock."""

    def __init__(self) -> None:
        self._known: dict[Callable[..., None], None] = {}
        self._lock = threading.Lock()

    def add(self, callback: Callable[..., None]) -> None:
        with self._lock:
            self._known[callback] = None

    def remove(self, callback: Callable[..., None]) -> None:
        with self._lock:
            self._known.pop(callback, None)

    def __len__(self) -> int:
        return len(self._known)

    def call(self, *values: Any, **named: Any) -> None:
        with self._lock:
            callbacks = list(self._known)
        for callback in callbacks:
            callback(*values, **named)


def truth(is_good: bool | None) -> int:
    """1 good, 0 bad, -1 unknown."""
    return -1 if is_good is None else int(is_good)


class TransitionDevice:
    """One transition now: detuning, u, state, reason, and the end of its last gate in ns."""

    parent = None

    def __init__(self, watch: Watch, transition: str, name: str | None = None) -> None:
        self._session = watch.session
        self._transition = transition
        self._session.status.verdict(transition)  # a wrong name is said here
        self.name = transition if name is None else name
        self._subscribers = _Subscribers()
        self._told: tuple[Any, ...] | None = None
        watch.add(self._look)

    @property
    def hints(self) -> dict[str, Any]:
        """What a plot shows first."""
        return {"fields": [f"{self.name}_detuning_hz"]}

    def trigger(self) -> DeviceStatus:
        """Nothing to start: gates come by themselves."""
        return finished()

    def read(self) -> Reading:
        """The last gate's values; stamped with its end, or now while there is none."""
        status = self._session.status
        standing = status.standings[self._transition]
        verdict = status.verdict(self._transition)
        t_ns = standing.stop_ns or self._session.clock.now_ns()
        values = (
            standing.detuning_hz,
            standing.u_hz,
            truth(verdict.state.truth),
            verdict.reason,
            t_ns,
        )
        stamp_s = t_ns / NS_PER_S
        return {
            f"{self.name}_{key}": {"value": value, "timestamp": stamp_s}
            for key, value in zip(_KEYS, values, strict=True)
        }

    def describe(self) -> Reading:
        """The data keys of `read`."""
        return {f"{self.name}_{key}": _key(self._source, *kind) for key, kind in _KEYS.items()}

    def read_configuration(self) -> Reading:
        """Exact target and nominal as text, k, and what is not watched (M4)."""
        known = self._session.lab.transitions[self._transition]
        stamp_s = self._session.clock.now_ns() / NS_PER_S
        values: dict[str, Any] = {
            "target_hz": exact_text(known.target.hz),
            "nominal_hz": exact_text(known.nominal_hz),
            "plane": known.target.plane,
            "unwatched": ", ".join(known.unwatched),
            "k": float(known.k),
        }
        return {f"{self.name}_{k}": {"value": v, "timestamp": stamp_s} for k, v in values.items()}

    def describe_configuration(self) -> Reading:
        """The data keys of `read_configuration`."""
        texts = ("target_hz", "nominal_hz", "plane", "unwatched")
        found = {f"{self.name}_{key}": _key(self._source, "string", "<U256", None) for key in texts}
        found[f"{self.name}_k"] = _key(self._source, "number", "<f8", None)
        return found

    def subscribe(self, callback: Callable[[Reading], None]) -> None:
        """Call with the reading now and whenever a new gate or state is there. Idempotent."""
        self._subscribers.add(callback)
        callback(self.read())

    def clear_sub(self, callback: Callable[[Reading], None]) -> None:
        """Call it no longer."""
        self._subscribers.remove(callback)

    @property
    def _source(self) -> str:
        return f"labref:{self._transition}"

    def _look(self) -> None:
        if not len(self._subscribers):
            return
        reading = self.read()
        seen = tuple(reading[f"{self.name}_{key}"]["value"] for key in ("t_ns", "good", "reason"))
        if seen != self._told:
            self._told = seen
            self._subscribers.call(reading)


class GoodSignal:
    """1 while all ``transitions`` are good, else 0: unknown is 0. True as a level from the start.

    For a suspender that trips when its signal is low; the same object can be monitored.
    """

    parent = None

    def __init__(self, watch: Watch, transitions: Iterable[str], name: str = "labref_good") -> None:
        self._session = watch.session
        self._transitions = tuple(transitions)
        for transition in self._transitions:
            self._session.status.verdict(transition)
        if not self._transitions:
            raise ValueError("a signal of no transition would always be good")
        self.name = name
        self._subscribers = _Subscribers()
        self._told = -1
        watch.add(self._look)

    def get(self) -> int:
        """The level now."""
        status = self._session.status
        return int(all(status.is_good(name) is True for name in self._transitions))

    def read(self) -> Reading:
        """The level as a reading."""
        return {self.name: {"value": self.get(), "timestamp": self._now_s()}}

    def describe(self) -> Reading:
        """Its data key."""
        source = f"labref:{','.join(self._transitions)}"
        return {self.name: _key(source, "integer", "<i8", None)}

    def subscribe(
        self,
        callback: Callable[..., None],
        event_type: str | None = None,  # noqa: ARG002 - the protocol has it
        run: bool = True,
    ) -> None:
        """Call ``callback(value=, timestamp=)`` now (``run``) and at changes. Idempotent."""
        self._subscribers.add(callback)
        if run:
            callback(value=self.get(), timestamp=self._now_s())

    def clear_sub(self, callback: Callable[..., None]) -> None:
        """Call it no longer."""
        self._subscribers.remove(callback)

    def _look(self) -> None:
        value = self.get()
        if value != self._told:
            self._told = value
            self._subscribers.call(value=value, timestamp=self._now_s())

    def _now_s(self) -> float:
        return self._session.clock.now_ns() / NS_PER_S


def _key(source: str, dtype: str, numpy_dtype: str, units: str | None) -> dict[str, Any]:
    key = {"source": source, "dtype": dtype, "shape": [], "dtype_numpy": numpy_dtype}
    return key if units is None else {**key, "units": units}
