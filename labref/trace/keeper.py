"""The trace's housekeeping beside the pass: synchronising, making and sealing segments.

With the host's clock there are two threads: one synchronises the current segment (a slow disk
must not delay the pass), one works through a queue of jobs. Without threads (virtual clock)
jobs run where they are ordered and `sync` is the caller's.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable

from labref.trace.segment import Segment

Job = Callable[[], None]


class Keeper:
    """Runs housekeeping jobs in order. ``failed`` is told of every job's exception.

    ``sync_s`` None: no threads. ``tick`` is called after each synchronisation.
    """

    def __init__(
        self, sync_s: float | None, failed: Callable[[str, Exception], None], tick: Job
    ) -> None:
        self._sync_s = sync_s
        self._failed = failed
        self._tick = tick
        self._segment: Segment | None = None
        self._stopping = threading.Event()
        self._jobs: queue.SimpleQueue[tuple[str, Job] | None] = queue.SimpleQueue()
        self._threads: list[threading.Thread] = []
        if sync_s is not None:
            self._threads = [
                threading.Thread(target=self._work, name="trace-jobs", daemon=True),
                threading.Thread(target=self._sync_forever, name="trace-sync", daemon=True),
            ]
            for thread in self._threads:
                thread.start()

    @property
    def is_threaded(self) -> bool:
        """Whether jobs run beside the caller."""
        return bool(self._threads)

    def watch(self, segment: Segment | None) -> None:
        """Synchronise this segment from now on."""
        self._segment = segment

    def later(self, what: str, job: Job) -> None:
        """Run ``job`` after those ordered before it."""
        if self._threads:
            self._jobs.put((what, job))
        else:
            self._run(what, job)

    def stop(self) -> None:
        """Finish all jobs and end the threads."""
        self._stopping.set()
        self._jobs.put(None)
        for thread in self._threads:
            thread.join()
        self._threads = []

    def _work(self) -> None:
        while (order := self._jobs.get()) is not None:
            self._run(*order)

    def _run(self, what: str, job: Job) -> None:
        try:
            job()
        except Exception as error:  # noqa: BLE001 - reported; the next job may still succeed
            self._failed(what, error)

    def _sync_forever(self) -> None:
        while not self._stopping.wait(self._sync_s):
            segment = self._segment
            if segment is not None:
                self._run("synchronise the trace", segment.sync)
            self._run("prepare the next segment", self._tick)
