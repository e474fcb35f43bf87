"""A session on a lab's own instruments: `labref run`."""

from __future__ import annotations

import gc
import sys
from pathlib import Path

from labref.config.lab import Lab
from labref.model.times import Clock, RealClock
from labref.plugins import Plugins
from labref.session.instruments import make_readers
from labref.session.session import Session

# A busy Python thread otherwise keeps the interpreter for 5 ms: readers would wait that long.
SWITCH_S = 1e-4


class Wake:
    """Wakes a session that is made after its readers."""

    def __init__(self) -> None:
        self.session: Session | None = None

    def __call__(self) -> None:
        """Say that data is there."""
        if self.session is not None:
            self.session.wake()


def live_session(
    lab: Lab,
    plugins: Plugins,
    out: Path | None,
    clock: Clock | None = None,
    *,
    rehearse: bool = False,
) -> Session:
    """Return a session that reads the lab's instruments, not started.

    With ``rehearse`` its actuators run, and their outputs are replaced by a log (S7).
    Raises InputError naming the instrument where one cannot be understood.
    """
    clock = RealClock() if clock is None else clock
    sys.setswitchinterval(SWITCH_S)
    wake = Wake()
    readers = make_readers(lab, plugins, clock, wake)
    session = Session(lab, readers, plugins, out=out, clock=clock, rehearse=rehearse)
    wake.session = session
    # A full collection walks everything that was ever loaded, some 50 ms in which no alarm is told:
    # what is there by now stays to the end and need not be looked at again.
    gc.collect()
    gc.freeze()
    return session
