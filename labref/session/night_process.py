"""One night's work as a process of its own: `labref nightly`, at the lowest priority.

It shares nothing with the session but the trace's files and the lab file, so that neither the
interpreter's lock nor memory nor a crash of it can hold the pass up.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from contextlib import AbstractContextManager
from pathlib import Path

from labref.characterise.night import plan_of, results_of
from labref.config.lab import Lab
from labref.model.times import iso
from labref.session.nightly import Begin, Nightly, NightlyThread
from labref.session.session import Session

_GRACE_S = 5.0
_SAID = 500
LOG = "last.log"


class NightProcess:
    """A child process; see `labref.session.nightly.Job`. Raises OSError where it cannot start.

    What it says is kept in the file ``log``, until the next one begins.
    """

    def __init__(self, command: list[str], log: Path) -> None:
        self._log = log
        log.parent.mkdir(parents=True, exist_ok=True)
        # One thread of arithmetic; a session of its own, so that Ctrl-C in the terminal is ours.
        calm = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
        with log.open("wb") as said:
            self._process = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=said,
                stderr=subprocess.STDOUT,
                env={**os.environ, **calm},
                start_new_session=True,
            )

    def done(self) -> str | None:
        """None while it runs; then how it ended and what it said last."""
        code = self._process.poll()
        if code is None:
            return None
        text = ""
        with contextlib.suppress(OSError):
            text = self._log.read_text("utf-8", "replace").strip()
        how = f"ended by signal {-code}" if code < 0 else f"exit code {code}"
        return f"{how}: {text[-_SAID:]}" if text else how

    def stop(self) -> None:
        """Ask it to end, then end it."""
        self._process.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(_GRACE_S)
            return
        self._process.kill()
        self._process.wait()


def processes(lab: Lab, folder: Path) -> Begin:
    """What begins nights of this lab's file on the trace in ``folder``."""
    lab_path, trace_path = Path(lab.file).resolve(), folder.resolve()

    def begin(name: str, due_ns: int) -> NightProcess:
        asked = ["nightly", str(lab_path), name, "--trace", str(trace_path)]
        command = [sys.executable, "-m", "labref", *asked, "--due", iso(due_ns, 0), "--background"]
        return NightProcess(command, results_of(lab.nightly[name], name, trace_path) / LOG)

    return begin


def beside(session: Session, folder: Path) -> AbstractContextManager[object]:
    """The nightly work of a session that records into ``folder``.

    Raises InputError where a plan cannot be read: at the start, not in the first night.
    """
    lab = session.lab
    for schedule in lab.nightly.values():
        plan_of(lab, schedule)
    begin = processes(lab, folder)
    nightly = Nightly(lab, folder, session.clock, begin, session.report)
    return NightlyThread(nightly, session.report, session.clock)
