"""All gates of a run as external HDF5: one stream resource per column, one datum for all rows.

A live trace changes its files' names (segments are sealed, days are merged), and documents live
for years. So the run's gates are copied, when they are complete, into a file of their own that
nobody touches again, and the documents point there.
"""

from __future__ import annotations

import importlib
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

from labref.model.errors import InputError, TraceError
from labref.model.exact import exact_text
from labref.model.shot import WindowClock
from labref.model.times import NS_PER_S, iso
from labref.session.shots import Shot
from labref.trace.reader import open_trace
from labref.trace.series import Series
from labref_bluesky.watch import DeviceStatus, Watch, finished

# Data key's suffix: dataset, dtype, numpy's dtype, unit.
_COLUMNS: dict[str, tuple[str, str, str, str | None]] = {
    "offset_hz": ("offset", "number", "<f8", "Hz"),
    "offset_errors_hz": ("offset_errors", "number", "<f8", "Hz"),
    "t_ns": ("time_ns", "integer", "<i8", "ns"),
    "state": ("state", "integer", "|u1", None),
}


class TransitionFlyer:
    """Kick off with the run, complete and collect at its end. ``trace``: the session's ``out``.

    The file is ``folder``/<uid>.h5. Rows: the gates that touch the time between both.
    """

    parent = None

    def __init__(
        self,
        watch: Watch,
        transition: str,
        trace: str | Path,
        folder: str | Path,
        name: str | None = None,
    ) -> None:
        self.name = f"{transition}_gates" if name is None else name
        self._session = watch.session
        self._transition = transition
        self._trace = Path(trace)
        self._folder = Path(folder)
        self._shot: Shot | None = None
        self._status: DeviceStatus | None = None
        self._path: Path | None = None
        self._rows = 0
        self._is_told = False
        watch.add(self._look)

    def kickoff(self) -> DeviceStatus:
        """The span begins now."""
        clock = WindowClock("host", 0, 0)
        self._shot = self._session.shot(self.name, self._transition, clock=clock)
        self._shot.start_ns = self._session.clock.now_ns()
        self._status, self._path, self._rows, self._is_told = None, None, 0, False
        return finished()

    def complete(self) -> DeviceStatus:
        """The span ends now; done when its gates are stored and copied."""
        status = self._status = DeviceStatus()
        if self._shot is None:
            status.finish(InputError(f"{self.name}: kickoff() comes before complete()"))
        elif not self._shot.stop_ns:
            self._shot.__exit__(None, None, None)
        return status

    def describe_collect(self) -> dict[str, dict[str, Any]]:
        """The data keys, all external."""
        found = {}
        for suffix, (_, dtype, kind, unit) in _COLUMNS.items():
            key: dict[str, Any] = {
                "source": f"labref:{self._transition}",
                "dtype": dtype,
                "shape": [1],
                "dtype_numpy": kind,
                "external": "STREAM:",
            }
            found[f"{self.name}_{suffix}"] = key if unit is None else {**key, "units": unit}
        return found

    def get_index(self) -> int:
        """Rows that can be collected."""
        return self._rows

    def collect_asset_docs(self, index: int | None = None) -> Iterator[tuple[str, dict[str, Any]]]:
        """Resources and data, once, all of the same width; nothing before it is complete."""
        rows = self._rows if index is None else min(index, self._rows)
        if self._path is None or self._is_told or not rows:
            return
        self._is_told = True
        uri = f"file://localhost{quote(str(self._path.resolve()))}"
        for suffix, (dataset, *_) in _COLUMNS.items():
            uid = str(uuid.uuid4())
            yield (
                "stream_resource",
                {
                    "uid": uid,
                    "data_key": f"{self.name}_{suffix}",
                    "mimetype": "application/x-hdf5",
                    "uri": uri,
                    "parameters": {
                        "dataset": f"/entry/{self._transition}/{dataset}",
                        "chunk_shape": [self._rows],
                    },
                },
            )
            yield (
                "stream_datum",
                {
                    "uid": f"{uid}/0",
                    "stream_resource": uid,
                    "descriptor": "",
                    "indices": {"start": 0, "stop": rows},
                    "seq_nums": {"start": 0, "stop": 0},
                },
            )

    def _look(self) -> None:
        status, shot = self._status, self._shot
        if status is None or status.done or shot is None or not shot.is_recorded:
            return
        try:
            self._copy(shot)
        except (TraceError, OSError) as error:
            status.finish(error)
        else:
            status.finish()

    def _copy(self, shot: Shot) -> None:
        with open_trace(self._trace) as trace:
            series = trace.series(self._transition, shot.start_ns, shot.stop_ns)
        self._folder.mkdir(parents=True, exist_ok=True)
        path = self._folder / f"{uuid.uuid4()}.h5"
        _write(path, series)
        self._path, self._rows = path, len(series)


def _write(path: Path, series: Series) -> None:
    """A small file in the trace's own layout; it appears whole or not at all."""
    h5py = importlib.import_module("h5py")
    making = path.with_suffix(".making")
    with h5py.File(making, "w", libver=("v110", "v110")) as file:
        file.attrs["default"], file.attrs["NX_class"] = "entry", "NXroot"
        entry = file.create_group("entry")
        entry.attrs["NX_class"], entry.attrs["default"] = "NXentry", series.name
        group = entry.create_group(series.name)
        origin_ns = int(series.start_ns[0]) if len(series) else 0
        group.attrs.update(
            {"NX_class": "NXdata", "signal": "offset", "axes": ["time"], "unit": series.unit}
        )
        group.attrs["nominal"] = exact_text(series.nominal)
        group["time"] = (series.start_ns - origin_ns) / NS_PER_S
        group["time"].attrs["units"] = f"seconds since {iso(origin_ns)[:-1]}"
        group["time"].make_scale("time")
        group["time_ns"], group["offset"] = series.start_ns, series.offset
        group["offset_errors"], group["flags"] = series.errors, series.flags
        group["state"] = series.state
        for name in ("time_ns", "offset", "offset_errors", "flags", "state"):
            group[name].dims[0].attach_scale(group["time"])
    making.rename(path)
