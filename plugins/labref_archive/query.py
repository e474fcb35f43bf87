"""Questions over years, answered by DuckDB over the side-car.

Times are int64 ns UTC. A sample counts as good where its state is good (transitions) or, for a
channel, where it is usable: written, unflagged, finite.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np

from labref.model.errors import InputError
from labref.model.exact import from_text
from labref.model.flags import Flag
from labref.model.readings import Bits, Floats, Ints
from labref.model.times import NS_PER_DAY, NS_PER_S, iso
from labref.model.tolerance import States
from labref.model.verdict import State
from labref_archive.catalogue import FileEntry, SeriesEntry, read_catalogue
from labref_archive.sidecar import KINDS, parquet, sidecar_of

# A gate may be this long: one that began so much earlier can still overlap a window.
_LONGEST_GATE_NS = 3600 * NS_PER_S
_GOOD = (
    f'flags = {int(Flag.WRITTEN)} and isfinite("offset") '
    f"and (state is null or state = {int(State.GOOD)})"
)


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """Gates that overlap a window, all arrays (n,); offsets are from ``nominal``, exact."""

    name: str
    nominal: Fraction
    start_ns: Ints
    stop_ns: Ints
    offset: Floats
    flags: Bits
    state: States | None

    def __len__(self) -> int:
        return len(self.start_ns)


@dataclass(frozen=True, slots=True)
class Day:
    """One UTC day of one series: good samples, their mean offset from ``nominal`` and deviation.

    ``good_s``: time covered by good gates; ``seen_s``: by all gates. ``deviation_hz`` is the
    sample standard deviation, NaN below two samples; the unit is the series' own.
    """

    name: str
    day: str
    nominal: Fraction
    samples: int
    good: int
    mean: float
    deviation: float
    good_s: float
    seen_s: float


class Archive:
    """The side-car of one or several trace folders. A context manager, for one thread.

    Raises InputError where a folder has no side-car, or duckdb is missing.
    """

    def __init__(self, *folders: Path, sidecars: Sequence[Path] = ()) -> None:
        try:
            import duckdb
        except ImportError:
            raise InputError("an archive needs duckdb: install labref[archive]") from None
        self._targets = list(sidecars) or [sidecar_of(folder) for folder in folders]
        self._files: list[tuple[Path, FileEntry]] = []
        for target in self._targets:
            if not target.is_dir():
                raise InputError(f"{target}: no side-car; make it with 'labref archive build'")
            self._files += [(target, e) for e in read_catalogue(target).files.values()]
        found = [(parquet(t, "samples", e.file), s) for t, e in self._files for s in e.series]
        self._all = sorted(found, key=lambda item: (item[1].begin_ns, item[1].part))
        self._by_name: dict[str, list[tuple[Path, SeriesEntry]]] = {}
        for item in self._all:
            self._by_name.setdefault(item[1].name, []).append(item)
        self._base: Any = duckdb
        self._db: Any = duckdb.connect(":memory:")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self._db.close()

    @property
    def damage(self) -> dict[str, str]:
        """Files that could not be read, or not wholly, and why: that time is unknown."""
        return {str(t / e.file): e.damage for t, e in self._files if e.damage}

    @property
    def names(self) -> tuple[str, ...]:
        """All channels and transitions that were ever recorded."""
        return tuple(sorted(self._by_name))

    def window(self, name: str, start_ns: int, stop_ns: int) -> Window:
        """Return the gates of ``name`` that overlap the window, in the order of time.

        Raises InputError for a name that was never recorded.
        """
        parts = self._parts(name)
        chosen = [
            (path, entry)
            for path, entry in parts
            if entry.begin_ns < stop_ns and entry.end_ns > start_ns
        ]
        last = (chosen or parts)[-1][1]
        nominal = from_text(last.nominal)
        columns: list[tuple[Any, ...]] = []
        for path in dict.fromkeys(path for path, _ in chosen):
            by_part = {entry.part: entry for other, entry in chosen if other == path}
            rows = self._db.execute(
                'select part, time_ns, gate_ns, "offset", flags, state from read_parquet(?) '
                "where name = ? and time_ns >= ? and time_ns < ? and time_ns + gate_ns > ?",
                [str(path), name, start_ns - _LONGEST_GATE_NS, stop_ns, start_ns],
            ).fetchnumpy()
            columns.append(_carried(rows, by_part, nominal))
        return _joined(name, nominal, columns, last.is_transition)

    def state(self, name: str, start_ns: int, stop_ns: int) -> State:
        """The state of a whole window: good only if good gates cover all of it."""
        from labref.model.window import window_state

        found = self.window(name, start_ns, stop_ns)
        if found.state is None:
            raise InputError(f"{name!r} is a channel; only transitions are judged")
        return window_state(found.start_ns, found.stop_ns, found.state, (start_ns, stop_ns))

    def days(self, name: str | None = None) -> list[Day]:
        """Statistics of all good samples by UTC day and nominal, of one series or of all."""
        files = [path for path, _ in (self._parts(name) if name else self._all)]
        if not files:
            return []
        only = "where name = ?" if name else ""
        rows = self._db.execute(
            f"""select name, filename, part, time_ns // {NS_PER_DAY} as day, count(*),
                count(*) filter ({_GOOD}), avg("offset") filter ({_GOOD}),
                stddev_samp("offset") filter ({_GOOD}),
                sum(gate_ns) filter ({_GOOD}), sum(gate_ns)
            from read_parquet(?, filename = true) {only} group by all order by day, name, part""",
            [sorted({str(path) for path in files}), *([name] if name else [])],
        ).fetchall()
        nominals = {
            (str(path), entry.name, entry.part): from_text(entry.nominal)
            for path, entry in self._all
        }
        return [
            Day(
                row[0],
                iso(row[3] * NS_PER_DAY, 0)[:10],
                nominals[row[1], row[0], row[2]],
                row[4],
                row[5],
                _number(row[6]),
                _number(row[7]),
                float(row[8] or 0) / NS_PER_S,
                float(row[9]) / NS_PER_S,
            )
            for row in rows
        ]

    def sql(self, query: str) -> tuple[list[str], list[tuple[Any, ...]]]:
        """Return column names and rows of a query over the views samples, validity, messages.

        Raises InputError with the database's own words.
        """
        for kind in KINDS:
            files = [str(parquet(t, kind, e.file)) for t, e in self._files if e.series]
            if not files:
                raise InputError("the archive is empty: nothing to ask")
            view = self._db.from_parquet(files, filename=True)
            view.create_view(kind, replace=True)
        try:
            result = self._db.execute(query)
            return [column[0] for column in result.description or ()], result.fetchall()
        except self._base.Error as error:
            raise InputError(f"sql: {error}") from None

    def _parts(self, name: str) -> list[tuple[Path, SeriesEntry]]:
        found = self._by_name.get(name, [])
        if not found:
            known = ", ".join(self.names) or "nothing yet"
            raise InputError(f"the archive has no {name!r}; it has {known}")
        return found


def _carried(
    rows: dict[str, Any], by_part: dict[int, SeriesEntry], nominal: Fraction
) -> tuple[Any, ...]:
    shift = {part: float(from_text(e.nominal) - nominal) for part, e in by_part.items()}
    part = np.asarray(rows["part"])
    # A row of a part whose catalogue entry ends before the window cannot be here, but its
    # rounding must not crash the question either.
    moved = np.array([shift.get(int(p), np.nan) for p in part], np.float64)
    state = np.ma.filled(np.ma.asarray(rows["state"]), 0).astype(np.uint8)
    start = np.asarray(rows["time_ns"], np.int64)
    return (
        start,
        start + np.asarray(rows["gate_ns"], np.int64),
        np.asarray(rows["offset"], np.float64) + moved,
        np.asarray(rows["flags"], np.uint32),
        state,
    )


def _joined(
    name: str, nominal: Fraction, columns: list[tuple[Any, ...]], is_transition: bool
) -> Window:
    if not columns:
        empty = np.zeros(0, np.int64)
        state = np.zeros(0, np.uint8) if is_transition else None
        return Window(name, nominal, empty, empty, np.zeros(0), np.zeros(0, np.uint32), state)
    start, stop, offset, flags, state = (np.concatenate(c) for c in zip(*columns, strict=True))
    order = np.argsort(start, kind="stable")
    return Window(
        name,
        nominal,
        start[order],
        stop[order],
        offset[order],
        flags[order],
        state[order] if is_transition else None,
    )


def _number(value: Any) -> float:
    return float("nan") if value is None else float(value)
