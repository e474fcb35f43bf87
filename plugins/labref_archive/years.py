"""Heavy work over years: one task per HDF5 file, on a pool of processes or a Dask cluster.

Per file, not one array over everything: a task reads one file, its memory is one day's, and a
damaged file costs its own result only. The same function runs in all three places.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, field
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from labref.model.errors import InputError, LabrefError
from labref.trace.names import list_files
from labref.trace.reader import open_trace
from labref.trace.series import Series

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class FileDeviations:
    """Overlapping Allan deviations of the series of one file.

    ``values``: name to (tau_s, deviation, lower, upper), tuples of equal length, fractional.
    ``problems``: name, or "" for the whole file, to why there is nothing.
    """

    file: str
    values: dict[str, tuple[tuple[float, ...], ...]] = field(default_factory=dict)
    problems: dict[str, str] = field(default_factory=dict)


def deviations_of_file(path: str, names: Sequence[str] | None, taus: str) -> FileDeviations:
    """The overlapping Allan deviation of every frequency in one file; never raises for damage.

    Gaps stay gaps: only pairs of averages without one between them are used.
    """
    result = FileDeviations(Path(path).name)
    try:
        with open_trace(path) as trace:
            wanted = names or [*trace.channels, *trace.transitions]
            held = {*trace.channels, *trace.transitions}
            for name in wanted:
                if name not in held:
                    result.problems[name] = "not in this file"
                    continue
                try:
                    result.values[name] = _deviations(trace.series(name), taus)
                except (LabrefError, OSError) as error:
                    result.problems[name] = str(error)
    except (LabrefError, OSError, KeyError, ValueError) as error:
        result.problems[""] = str(error)
    return result


def _deviations(series: Series, taus: str) -> tuple[tuple[float, ...], ...]:
    from labref.stability.columns import on_grid, spread
    from labref.stability.deviations import oadev

    if series.unit != "Hz" or series.nominal <= 0:
        raise InputError(f"{series.name} is no frequency with a positive nominal")
    if len(series) < 4:
        raise InputError(f"{series.name} has {len(series)} gates")
    index, spacing = on_grid(series.name, (series.start_ns - series.start_ns[0]) / 1e9)
    values = spread(index, np.where(series.usable, series.offset, np.nan))
    found = oadev(
        values,
        tau0_s=spacing,
        data="offset",
        nominal_hz=series.nominal,
        name=series.name,
        gaps="pairs" if not np.isfinite(values).all() else "refuse",
        taus=taus,
    )
    columns = (found.tau_s, found.deviation, found.lower, found.upper)
    return tuple(tuple(float(x) for x in column) for column in columns)


def deviations(
    folder: Path,
    names: Sequence[str] | None = None,
    *,
    taus: str = "octave",
    workers: int = 1,
    cluster: str | None = None,
    progress: Progress = lambda _done, _all: None,
) -> list[FileDeviations]:
    """Deviations of every sealed file of ``folder``, in the order of time.

    ``workers``: processes on this computer; ``cluster``: address of a Dask scheduler instead.
    Raises InputError.
    """
    files = [str(file.path) for file in list_files(folder) if not file.is_live]
    if not files:
        raise InputError(f"{folder}: no sealed trace files")
    if cluster is not None:
        results = _on_cluster(cluster, files, names, taus)
    elif workers > 1:
        results = _on_pool(workers, files, names, taus)
    else:
        results = ((n, deviations_of_file(path, names, taus)) for n, path in enumerate(files))
    return _collected(results, len(files), progress)


def _collected(
    results: Iterable[tuple[int, FileDeviations]], count: int, progress: Progress
) -> list[FileDeviations]:
    found: dict[int, FileDeviations] = {}
    for number, result in results:
        found[number] = result
        progress(len(found), count)
    return [found[number] for number in sorted(found)]


def _on_pool(
    workers: int, files: Sequence[str], names: Sequence[str] | None, taus: str
) -> Iterator[tuple[int, FileDeviations]]:
    # Not forked: HDF5 and threads of the caller must not be copied half way through.
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        futures = {
            pool.submit(deviations_of_file, path, names, taus): number
            for number, path in enumerate(files)
        }
        for future in as_completed(futures):
            yield futures[future], future.result()


def _on_cluster(
    address: str, files: Sequence[str], names: Sequence[str] | None, taus: str
) -> Iterator[tuple[int, FileDeviations]]:
    try:
        distributed: Any = importlib.import_module("distributed")
    except ImportError:
        raise InputError("a cluster needs Dask: install labref[distributed]") from None
    try:
        client: Any = distributed.Client(address, timeout="10s")
    except (OSError, ValueError) as error:
        raise InputError(f"cluster {address}: {error}") from None
    with client:
        futures = client.map(deviations_of_file, files, names=names, taus=taus, pure=False)
        numbers = {future.key: number for number, future in enumerate(futures)}
        for future, result in distributed.as_completed(futures, with_results=True):
            yield numbers[future.key], result
