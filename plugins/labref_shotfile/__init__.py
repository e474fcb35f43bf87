"""A shot's record inside the sequencer's own HDF5 shot file.

    annotate("2026-11-25_0815.h5", record, shot_start_ns=start_ns)

Any sequencer's file: scalars become attributes of a group ``labref``, traces go below it. With
``convention="results"`` the files' own habit of one whole family of sequencers is kept: scalars
are attributes of ``results/labref`` (they become columns of its analysis tables), arrays are
compound traces of (t, values) in ``data/traces/labref_<name>``, t in seconds from the shot's start.

Groups that the sequencer creates itself, later, and fails when they are there, are never created:
``data`` is only used once it exists, which says that the shot has run. Writing twice gives what
writing once gives. A file that another program holds is tried again for a while.
"""

from __future__ import annotations

import importlib
import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from labref.model.errors import InputError, TraceError
from labref.model.readings import Floats
from labref.model.shot import ShotRecord
from labref.model.shot_table import mean_values
from labref.model.times import NS_PER_S, Clock, RealClock, iso

__all__ = ["CONVENTIONS", "Columns", "annotate", "attributes", "shot_trace"]

# Group of the scalars, group of the traces, and whether that must be there already.
CONVENTIONS: Mapping[str, tuple[str, str, str]] = {
    "labref": ("labref", "labref/traces", ""),
    "results": ("results/labref", "data/traces", "data"),
}
RETRY_S = 5.0
_PAUSE_S = 0.05
_TRACE = np.dtype([("t", "<f8"), ("values", "<f8")])
# Half an HDF5 attribute's largest size: a longer text is cut by nobody, but kept as a dataset.
_LONGEST_ATTRIBUTE = 32_000

Columns = tuple[Floats, Floats]


def attributes(record: ShotRecord) -> dict[str, str | int | float | bool]:
    """The record as attributes: ``<transition>_good`` (1, 0, -1 unknown), ``_offset_hz``, ...

    Every field of `labref.model.shot_table.MEAN_FIELDS` by transition, and of the shot itself:
    ``shot``, ``good``, ``start_ns``, ``stop_ns``, ``start``, ``clock``, ``alignment_u_ns``.
    """
    found: dict[str, Any] = {
        "shot": record.shot,
        "good": _truth(record.is_good),
        "complete": record.is_complete,
        "start_ns": record.start_ns,
        "stop_ns": record.stop_ns,
        "start": iso(record.start_ns),
        "clock": record.clock.name,
        "alignment_u_ns": record.clock.u_ns,
        "events": "; ".join(f"{iso(e.time_ns, 3)} {e.kind}: {e.text}" for e in record.events),
    }
    for mean in record.means:
        found[f"{mean.transition}_good"] = _truth(mean.is_good)
        for name, value in mean_values(mean).items():
            if name != "transition":
                found[f"{mean.transition}_{name}"] = value
    return found


def shot_trace(start_ns: np.ndarray, offset: Floats, shot_start_ns: int) -> Columns:
    """Gates as (t, values): seconds from the shot's start, offsets; each float64 (n,)."""
    t: Floats = (start_ns - shot_start_ns) / NS_PER_S
    return t, np.asarray(offset, np.float64)


def annotate(
    path: str | Path,
    record: ShotRecord,
    *,
    traces: Mapping[str, Columns] | None = None,
    convention: str = "labref",
    retry_s: float = RETRY_S,
    clock: Clock | None = None,
) -> None:
    """Write ``record`` (and ``traces``: name to (t, values)) into the shot file ``path``.

    The file must be there: it is the sequencer's, and never created here. Raises InputError for
    a convention that is not known or traces in a file whose shot has not run, TraceError when
    the file stays locked for ``retry_s`` or cannot be written.
    """
    if convention not in CONVENTIONS:
        raise InputError(f"no convention {convention!r}; there are: {', '.join(CONVENTIONS)}")
    _columns_agree(traces or {})
    values = attributes(record)

    def write(file: Any) -> None:
        scalars, arrays, needed = CONVENTIONS[convention]
        if traces and needed and needed not in file:
            raise InputError(
                f"{path}: no group {needed!r} yet: the sequencer makes it when the shot runs, and "
                "fails when it is there before; write traces afterwards"
            )
        _write_scalars(file.require_group(scalars), values)
        prefix = "labref_" if needed else ""
        for name, trace in (traces or {}).items():
            _replace(file.require_group(arrays), f"{prefix}{name}", _compound(trace))

    _with_file(Path(path), write, retry_s, RealClock() if clock is None else clock)


def _truth(is_good: bool | None) -> int:
    return -1 if is_good is None else int(is_good)


def _columns_agree(traces: Mapping[str, Columns]) -> None:
    for name, (t, values) in traces.items():
        if np.shape(t) != np.shape(values) or np.ndim(t) != 1:
            raise InputError(f"trace {name!r}: t and values are columns of one length")
        if "/" in name or not name:
            raise InputError(f"trace {name!r}: a name without '/'")


def _compound(trace: Columns) -> np.ndarray:
    rows = np.empty(len(trace[0]), _TRACE)
    rows["t"], rows["values"] = trace
    return rows


def _write_scalars(group: Any, values: Mapping[str, Any]) -> None:
    before: Sequence[str] = [name for name in group.attrs if name not in values]
    old = {str(name) for name in group.attrs.get("labref_fields", ())}
    for name in before:
        if name in old:  # of an earlier record of this shot; others' attributes stay
            del group.attrs[name]
    for name, value in values.items():
        if isinstance(value, str) and len(value.encode()) > _LONGEST_ATTRIBUTE:
            _replace(group, name, value)
            value = f"see the dataset {group.name}/{name}"
        group.attrs[name] = value
    group.attrs["labref_fields"] = sorted(values)


def _replace(group: Any, name: str, value: Any) -> None:
    if name in group:
        del group[name]
    group.create_dataset(name, data=value)


def _with_file(path: Path, write: Callable[[Any], None], retry_s: float, clock: Clock) -> None:
    """Open for changing, try again while it is locked. The explicit mode matters to patches."""
    h5py = importlib.import_module("h5py")
    end_s = clock.monotonic_s() + retry_s
    while True:
        try:
            # Looked up at each call: a sequencer's own locking replaces h5py.File.
            with h5py.File(str(path), "r+") as file:
                write(file)
            return
        except FileNotFoundError:
            raise TraceError(f"{path}: there is no such shot file") from None
        except OSError as error:
            left_s = end_s - clock.monotonic_s()
            if not _is_locked(error) or left_s <= 0 or math.isnan(left_s):
                raise TraceError(f"{path}: cannot be written: {error}") from error
            clock.wait(min(_PAUSE_S, left_s))


def _is_locked(error: OSError) -> bool:
    text = str(error).lower()
    return isinstance(error, BlockingIOError) or "unable to lock" in text or "already open" in text
