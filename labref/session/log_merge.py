"""Several recorded logs side by side, so that a pass sees the same span of time of each.

Logs are fed as they would have come: span after span of the recorded time, of every log the
gates that ended by then. Empty spans are skipped. Two files of one table (a log that is cut
each midnight) follow one another; two logs that hold one channel at one time are refused.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Protocol

from labref.config.schema import LogTable
from labref.model.channel import Channel
from labref.model.errors import InputError
from labref.model.readings import Readings
from labref.model.times import NS_PER_S, iso
from labref.session.recorded import Progress, RecordedLog


class LabWithLogs(Protocol):
    """What is needed of a lab: its channels, and its tables of logs by name."""

    @property
    def channels(self) -> Mapping[str, Channel]:
        """Channels by name."""
        ...

    @property
    def logs(self) -> Mapping[str, LogTable]:
        """The ``[logs.*]`` tables by name."""
        ...


def open_logs(
    paths: Sequence[str | Path],
    lab: LabWithLogs,
    block: int = 3600,
    progress: Progress | None = None,
) -> list[RecordedLog]:
    """Assign each path to the ``[logs.*]`` table whose ``files`` matches its name, and start it.

    A pattern other than ``*`` wins over ``*``. Raises InputError where no table or more than
    one matches, where a file is named twice, or where a log cannot be read. ``progress`` is
    told the bytes read, and the bytes of all logs together.
    """
    if not paths:
        raise InputError("no log was given")
    resolved = [Path(path).resolve() for path in paths]
    for path in resolved:
        if resolved.count(path) > 1:
            raise InputError(f"{path}: was given twice")
    tables = [lab.logs[_table_of(Path(path), lab.logs)] for path in paths]
    total = _Total(progress)
    logs = [
        RecordedLog(path, table, lab.channels, block, total.part(number) if progress else None)
        for number, (path, table) in enumerate(zip(paths, tables, strict=True))
    ]
    started: list[RecordedLog] = []
    try:
        for log in logs:
            started.append(log)
            log.start()
    except InputError:
        for log in started:
            log.stop()
        raise
    return logs


def _table_of(path: Path, tables: Mapping[str, LogTable]) -> str:
    if not tables:
        raise InputError(f"{path}: the lab file has no [logs.NAME] table that says how to read it")
    fits = [name for name, table in tables.items() if fnmatchcase(path.name, table.files)]
    special = [name for name in fits if tables[name].files != "*"]
    chosen = special or fits
    if len(chosen) == 1:
        return chosen[0]
    listed = ", ".join(f"[logs.{name}] files = {tables[name].files!r}" for name in chosen or tables)
    if chosen:
        raise InputError(f"{path}: more than one table matches its name: {listed}")
    raise InputError(f"{path}: no table matches its name; the lab file has {listed}")


class _Total:
    """Adds up the progress of several logs."""

    def __init__(self, progress: Progress | None) -> None:
        self._progress = progress
        self._parts: dict[int, tuple[int, int]] = {}

    def part(self, number: int) -> Progress:
        def told(done: int, total: int) -> None:
            self._parts[number] = (done, total)
            assert self._progress is not None
            done_all = sum(part[0] for part in self._parts.values())
            self._progress(done_all, sum(part[1] for part in self._parts.values()))

        return told


class MergedLogs:
    """Recorded logs as one `Source`: each `collect` is one span of ``block_s`` seconds.

    ``now_ns``: everything that ended by this time (ns UTC) was handed out; it moves before a
    span is handed out, so that the pass can judge lateness by the recorded time.
    """

    def __init__(self, logs: Sequence[RecordedLog], block_s: float = 3600) -> None:
        if not logs or block_s <= 0:
            raise ValueError("merging needs at least one log and a span longer than zero")
        self.name = ", ".join(log.name for log in logs)
        self.now_ns = 0
        self._logs = list(logs)
        self._span_ns = max(1, round(block_s * NS_PER_S))
        self._last: dict[str, tuple[int, RecordedLog]] = {}

    def start(self) -> None:
        """Start every log."""
        for log in self._logs:
            log.start()

    def stop(self) -> None:
        """Close every log."""
        for log in self._logs:
            log.stop()

    @property
    def finished(self) -> bool:
        """Whether every log was handed out."""
        return all(log.finished for log in self._logs)

    def collect(self) -> list[Readings]:
        """Return the next span of all logs that holds any gate; empty at the end."""
        self.start()
        taken: list[Readings] = []
        while not taken:
            begins = [begin for log in self._logs if (begin := log.next_ns) is not None]
            if not begins:
                break
            self.now_ns = max(self.now_ns, min(begins)) + self._span_ns
            for log in sorted(self._logs, key=lambda log: log.next_ns or 0):
                for readings in log.collect_until(self.now_ns):
                    self._claim(readings, log)
                    taken.append(readings)
        return taken

    def _claim(self, readings: Readings, log: RecordedLog) -> None:
        """Refuse two logs that hold one channel at one time."""
        begin = int(readings.start_ns[0])
        last = self._last.get(readings.channel)
        if last is not None and last[1] is not log and begin < last[0]:
            raise InputError(
                f"{log.path} and {last[1].path} both hold channel {readings.channel!r} at "
                f"{iso(begin, 3)}: give one of them, or name their columns apart"
            )
        self._last[readings.channel] = (int(readings.stop_ns[-1]), log)


def merge(logs: Sequence[RecordedLog], block_s: float = 3600) -> Iterator[list[Readings]]:
    """Yield span after span of ``block_s`` seconds of all logs; see `MergedLogs`."""
    merged = MergedLogs(logs, block_s)
    while block := merged.collect():
        yield block
