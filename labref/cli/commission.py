"""`labref commission`: bring up one laser with a person at the table."""

from __future__ import annotations

import getpass
import math
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import click

from labref.cli.labs import load
from labref.config.load import read_document
from labref.drivers.base import Setting
from labref.hookspecs import hookimpl
from labref.model.errors import RefusedError
from labref.model.flags import UNUSABLE
from labref.model.readings import Readings
from labref.model.times import RealClock
from labref.model.verdict import State
from labref.session.commission import (
    STEPS,
    Bench,
    Finding,
    Request,
    Seen,
    Subject,
    commission,
    subject_of,
)
from labref.session.commission_record import CommissionRecord, evidence, with_evidence

LONGEST_READ_S = 30.0
# Of these a number must be given: having done it says nothing.
NUMBERS = frozenset(["at the atoms", "loop", "level"])


class Gatherer:
    """A listener that adds up fresh gates of every channel."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._blocks: dict[str, list[Readings]] = {}
        self._since_ns = 0

    @hookimpl
    def on_readings(self, readings: Sequence[Readings]) -> None:
        """Keep what came, of gates that began late enough."""
        with self._lock:
            for block in readings:
                fresh = block[block.start_ns >= self._since_ns]
                if len(fresh):
                    self._blocks.setdefault(block.channel, []).append(fresh)

    def clear(self, since_ns: int = 0) -> None:
        """Forget: only gates that begin from ``since_ns`` on are fresh, however late others come.

        A busy computer brings gates seconds later, of a time before something was turned.
        """
        with self._lock:
            self._blocks.clear()
            self._since_ns = max(self._since_ns, since_ns)

    def counts(self) -> dict[str, int]:
        """Gates so far by channel."""
        with self._lock:
            return {name: sum(map(len, blocks)) for name, blocks in self._blocks.items()}

    def seen(self) -> dict[str, Seen]:
        """Mean, its standard deviation and flags of every channel."""
        with self._lock:
            return {name: _mean(blocks) for name, blocks in self._blocks.items()}


def _mean(blocks: Sequence[Readings]) -> Seen:
    import numpy as np

    offset = np.concatenate([block.offset for block in blocks])
    flags = np.concatenate([block.flags for block in blocks])
    usable = ((flags & UNUSABLE) == 0) & np.isfinite(offset)
    if usable.sum() * 2 <= len(usable):
        return Seen(math.nan, math.nan, int(np.bitwise_or.reduce(flags)) & UNUSABLE)
    values = offset[usable]
    errors = [b.errors for b in blocks if b.errors is not None and np.isfinite(b.errors).all()]
    declared = float(np.concatenate(errors).mean()) if errors else 0.0
    spread = float(values.std(ddof=1)) if len(values) > 2 else declared
    return Seen(float(values.mean()), max(spread, declared) / math.sqrt(len(values)))


class TableBench:
    """The running session's readings, and a person asked on the terminal."""

    def __init__(
        self,
        gatherer: Gatherer,
        channels: Sequence[str],
        gates: int,
        wait: Callable[[float], object],
        read_back: Callable[[], Mapping[str, Mapping[str, Setting | None]]],
        skip_gates: int = 2,
    ) -> None:
        self._gatherer, self._channels, self._gates = gatherer, channels, gates
        self._wait, self._read_back, self._skip = wait, read_back, skip_gates

    def read(self) -> Mapping[str, Seen]:
        """Fresh gates, the first ones after a move left out; what stays silent is missing."""
        clock = RealClock()
        for wanted in (self._skip, self._gates):
            self._gatherer.clear(clock.now_ns())
            end_s = clock.monotonic_s() + LONGEST_READ_S
            while clock.monotonic_s() < end_s:
                counts = self._gatherer.counts()
                if all(counts.get(name, 0) >= wanted for name in self._channels):
                    break
                self._wait(0.1)
        return self._gatherer.seen()

    def settings(self) -> Mapping[str, Mapping[str, Setting | None]]:
        """As read back at the opening and since; waits until all that is declared was read."""
        clock = RealClock()
        end_s = clock.monotonic_s() + LONGEST_READ_S
        while True:
            found = self._read_back()
            is_whole = all(one is not None for row in found.values() for one in row.values())
            if is_whole or clock.monotonic_s() >= end_s:
                return found
            self._wait(0.1)

    def ask(self, request: Request) -> float | None:
        """Ask on the terminal: a number, Enter for done as asked, 'no' where it cannot be."""
        default = "no" if request.kind in NUMBERS else "done"
        while True:
            typed = str(click.prompt(f"  {request.words} (or no)", default=default)).strip()
            if typed.lower() == "no":
                return None
            if typed == "done" and request.kind not in NUMBERS:
                return request.by_hz or 1.0
            try:
                value = float(typed)
            except ValueError:
                unit = "dB" if request.kind == "level" else "Hz"
                click.echo(f"  a number in {unit} is meant, or no")
                continue
            if math.isfinite(value):
                return value


@click.command("commission")
@click.argument("lab_file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.argument("laser")
@click.option("--by", default=getpass.getuser, help="Who does it.")
@click.option("--gates", default=10, show_default=True, help="Gates per reading.")
@click.option("--again", is_flag=True, help="Begin at the first step, whatever was found before.")
@click.option("--write", is_flag=True, help="Write the evidence into the lab file at the end.")
def command(lab_file: Path, laser: str, by: str, gates: int, again: bool, write: bool) -> None:
    """Bring up LASER of LAB_FILE step by step: what to turn, what was seen, what it means.

    Light and RF can hurt: whoever moves something does so under the rules of the laboratory and its
    laser-safety officer. This command reads instruments and moves nothing.

    Exit 0 commissioned, 1 something is wrong, 3 a step proved nothing.
    """
    from labref.session.live import live_session

    gatherer = Gatherer()
    lab, plugins = load(lab_file, [("commission", gatherer)])
    tables = read_document(lab_file, plugins.tables()).tables
    subject = subject_of(lab, tables, laser)
    record = CommissionRecord(lab_file, lab.text, laser)
    done = frozenset() if again else record.done
    for step in (s for s in STEPS if s in done):
        click.echo(f"{step}: good before, with this lab file")
    clock = RealClock()
    with live_session(lab, plugins, None) as session:
        session.start()
        bench = TableBench(gatherer, subject.channels, gates, session.clock.wait, session.read_back)
        last = walk(subject, bench, done, lambda f: _tell(f, record, clock.now_ns(), by))
        if last is not None and last.state is not State.GOOD:
            raise click.exceptions.Exit(1 if last.state is State.BAD else 3)
        found, values = evidence(subject, dict(bench.read()), clock.now_ns(), by)
    click.echo(f"{laser} is commissioned: {found.best.text()}")
    click.echo(f"witness {subject.witness.name}, k = {values['k']}, evidence in {record.path}")
    if write:
        if lab_file.read_text("utf-8-sig").replace("\r\n", "\n") != lab.text:
            raise RefusedError(f"{lab_file} was changed meanwhile: nothing is written")
        lab_file.write_text(with_evidence(lab.text, laser, values), "utf-8")
        click.echo(f"the evidence stands in [lasers.{laser}] of {lab_file}")


def walk(
    subject: Subject, bench: Bench, done: frozenset[str], tell: Callable[[Finding], None]
) -> Finding | None:
    """Go through the steps and tell each finding; return the last, None where all were done."""
    last = None
    for finding in commission(subject, bench, done):
        tell(finding)
        last = finding
    return last


def _tell(finding: Finding, record: CommissionRecord, time_ns: int, by: str) -> None:
    record.add(finding, time_ns, by)
    click.echo(f"{finding.step}: {finding.state.word}: {finding.text}")
    if finding.turn_next:
        click.echo(f"  next: {finding.turn_next}")
