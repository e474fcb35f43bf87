"""Invented nights through the pass on a virtual clock, and the truth beside what it said."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import numpy.typing as npt

from labref.config.lab import Lab, parse_lab
from labref.hookspecs import hookimpl
from labref.model.flags import Flag
from labref.model.readings import Readings, block
from labref.model.times import NS_PER_S, VirtualClock
from labref.plugins import load_plugins
from labref.session.memory import MemorySource
from labref.session.session import Session

EXAMPLES = Path(__file__).parents[2] / "examples"
BLOCK = 450
WRITTEN = np.uint32(Flag.WRITTEN)

Floats = npt.NDArray[np.float64]


@lru_cache(maxsize=1)
def comb_night() -> ModuleType:
    """examples/comb_night.py as a module."""
    spec = importlib.util.spec_from_file_location("comb_night", EXAMPLES / "comb_night.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["comb_night"] = module
    spec.loader.exec_module(module)
    return module


@dataclass(frozen=True)
class Said:
    """What the pass said of one transition, gate by gate, and the truth of the same gates.

    ``detuning``, ``errors``, ``truth`` in Hz; ``truth`` is laser minus true target.
    """

    start_ns: npt.NDArray[np.int64]
    detuning: Floats
    errors: Floats
    flags: npt.NDArray[np.uint32]
    states: npt.NDArray[np.uint8]
    truth: Floats
    u_constant_hz: float

    @property
    def residual(self) -> Floats:
        """Derived minus true detuning of the derived gates."""
        return (self.detuning - self.truth)[self.derived]

    @property
    def derived(self) -> npt.NDArray[np.bool_]:
        return np.isfinite(self.detuning)

    @property
    def u_hz(self) -> Floats:
        return np.hypot(self.errors, self.u_constant_hz)


def lab_of(*changes: tuple[str, str]) -> Lab:
    """The night's lab after replacing each (old, new) in its text; ``old`` must be there."""
    text = (EXAMPLES / "comb_night.toml").read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    return parse_lab(text, "comb_night.toml", plugins().tables())


@lru_cache(maxsize=1)
def plugins() -> Any:
    """The two checks, and a listener; loaded once, for loading costs more than a night."""
    return load_plugins(("tolerance", "evidence"), [("truth", LISTENER)])


class _Listener:
    def __init__(self) -> None:
        self.results: dict[str, list[Any]] = {}
        self.faults: list[Any] = []

    @hookimpl
    def on_results(self, results: Any) -> None:
        for result in results:
            self.results.setdefault(result.frequencies.transition, []).append(result)

    @hookimpl
    def on_fault(self, fault: Any) -> None:
        self.faults.append(fault)


LISTENER = _Listener()


def readings_of(night: Any, lab: Lab) -> list[Readings]:
    """The night's logs as readings: lost rows are missing, short ones and NaN are gaps."""
    found = []
    for log in night.logs.values():
        gate_ns = round(log.gate_s * NS_PER_S)
        for name, offsets in log.offsets.items():
            values = np.where(log.short, np.nan, offsets)
            kept = ~log.lost
            if lab.channels[name].hold_ns is not None:
                kept &= ~np.isnan(values)
            flags = np.where(np.isnan(values), WRITTEN | np.uint32(Flag.GAP), WRITTEN)
            start = log.start_ns[kept]
            found.append(block(name, start, start + gate_ns, values[kept], flags[kept]))
    return found


def run_night(night: Any, lab: Lab, silent: tuple[str, ...] = ()) -> dict[str, Said]:
    """Run one night through the pass; channels whose name starts as in ``silent`` say nothing."""
    LISTENER.results, LISTENER.faults = {}, []
    source = MemorySource()
    start = night.logs["a"].start_ns
    clock = VirtualClock(int(start[0]))
    session = Session(lab, [source], plugins(), clock=clock)
    waiting = [r for r in readings_of(night, lab) if not r.channel.startswith(silent or ("\0",))]
    end_ns = int(start[-1]) + 3 * NS_PER_S
    with session:
        while clock.now_ns() < end_ns:
            clock.advance_ns(BLOCK * NS_PER_S)
            late = []
            for readings in waiting:
                count = int(np.searchsorted(readings.stop_ns, clock.now_ns(), "right"))
                if count:
                    source.put(readings[:count])
                if count < len(readings):
                    late.append(readings[count:])
            waiting = late
            session.step()
    assert not LISTENER.faults, LISTENER.faults
    return {name: _said(night, name, found) for name, found in LISTENER.results.items()}


def _said(night: Any, name: str, results: list[Any]) -> Said:
    parts = [result.frequencies for result in results]
    counter = next(x.counter for x in comb_night().LASERS if x.transition == name)
    start_ns = np.concatenate([part.start_ns for part in parts])
    second = np.searchsorted(night.logs[counter].start_ns, start_ns)
    assert (night.logs[counter].start_ns[second] == start_ns).all()
    return Said(
        start_ns,
        np.concatenate([part.detuning for part in parts]),
        np.concatenate([part.errors for part in parts]),
        np.concatenate([np.broadcast_to(part.flags, part.start_ns.shape) for part in parts]),
        np.concatenate([result.states for result in results]),
        night.truth[name][second] - night.target_error_hz[name],
        parts[-1].u_constant_hz,
    )
