"""`labref weighting` on records, and what its live half asks for and waits for."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from labref.cli.main import exit_code
from labref.config.lab import parse_lab
from labref.model.errors import AmbiguousError, InputError, LabrefError, RefusedError
from labref.model.times import NS_PER_S, iso
from labref.plugins import load_plugins
from labref.testing import START_NS, MemoryBench
from labref.testing.labs import comb_lab
from labref_register.stepping import schedule
from labref_register.weighing import Listener, plan, read_moments, wait_until, write_moments
from labref_register.weighting_command import command

PERIOD_NS = 13_300_000_000


def pi(t: float) -> float:
    return min(1.0, max(0.0, 1.0 - t))


def triangle(t: float) -> float:
    t = min(1.0, max(0.0, t))
    return 1.0 - 2.0 * t * t if t < 0.5 else 2.0 * (1.0 - t) ** 2


def record(folder: Path, closed: Callable[[float], float], moments: list[int]) -> Path:
    """A record of the comb lab while the frequency at its beat input steps; the lab file's path."""
    path = folder / "lab.toml"
    path.write_text(comb_lab(), "utf-8")
    bench = MemoryBench(comb_lab(), out=folder / "record")
    rng = np.random.default_rng(2)
    count = (moments[-1] - START_NS) // NS_PER_S + 15
    starts = START_NS + NS_PER_S * np.arange(count, dtype=np.int64)
    beat = rng.normal(0.0, 0.5, count)
    for k, moment in enumerate(moments):
        shares = [closed((moment - start) / NS_PER_S) for start in starts.tolist()]
        beat += 1000.0 * (-1) ** k * np.array(shares)
    quiet = np.zeros(count)
    bench.run({"beat": beat, "f_rep": quiet, "f_ceo": quiet, "wm": quiet})
    bench.session.stop()
    write_moments(folder, moments)
    return path


def run(lab_file: Path, *more: str) -> Result:
    words = [str(lab_file), "beat", "--trace", str(lab_file.parent / "record"), "--by", "A. Person"]
    return CliRunner().invoke(command, [*words, *more])


def test_a_plain_mean_is_written_into_the_register_with_its_evidence(tmp_path: Path) -> None:
    lab_file = record(tmp_path, pi, schedule(START_NS, NS_PER_S, 12))
    moments = ["--moments", str(tmp_path / "moments.txt"), "--u-moment", "0.001"]
    shown = run(lab_file, *moments)
    assert shown.exit_code == 0, shown.output
    assert shown.output.startswith("pi: a plain mean of its gate (")
    assert "[calibrations.bench_weighting]" in shown.output
    assert lab_file.read_text("utf-8") == comb_lab()  # nothing is written without being asked
    assert run(lab_file, *moments, "--write").exit_code == 0
    text = lab_file.read_text("utf-8")
    assert text.startswith(comb_lab().rstrip("\n"))
    entry = parse_lab(text, plugin_tables=load_plugins(("register",)).tables()).tables[
        "calibrations"
    ]["bench_weighting"]
    assert (entry.of, entry.weighting, entry.author) == ("instruments.bench", "pi", "A. Person")
    assert "a plain mean of its gate" in entry.evidence
    assert "record record" in entry.evidence
    # Found again: the entry is renewed, not doubled.
    assert run(lab_file, *moments, "--write").exit_code == 0
    assert lab_file.read_text("utf-8").count("bench_weighting") == 1


def test_a_triangle_where_the_lab_file_says_plain_is_told_and_never_written(tmp_path: Path) -> None:
    lab_file = record(tmp_path, triangle, schedule(START_NS, NS_PER_S, 12))
    moments = ["--moments", str(tmp_path / "moments.txt"), "--u-moment", "0.001", "--write"]
    found = run(lab_file, *moments)
    assert found.exit_code == 1
    assert found.output.startswith("lambda: a triangle on its gate (")
    assert "[channels.beat]  (now pi)" in found.output
    assert lab_file.read_text("utf-8") == comb_lab()


def test_a_period_is_enough(tmp_path: Path) -> None:
    first = START_NS + 8_417_000_000
    lab_file = record(tmp_path, pi, [first + k * PERIOD_NS for k in range(12)])
    found = run(lab_file, "--period", "13.3", "--since", "1h")
    assert found.exit_code == 0, found.output
    found = run(lab_file, "--period", "13.3", "--from", iso(START_NS, 0), "--to", iso(first, 0))
    assert isinstance(found.exception, AmbiguousError)


@pytest.mark.parametrize(
    ("more", "code", "message"),
    [
        (["--moments", "moments.txt", "--u-moment", "0.4"], 3, "fit alike|no known weighting"),
        ([], 2, "--moments or --period is needed"),
        (["--moments", "moments.txt", "--period", "7"], 2, "say the same thing"),
        (["--moments", "lab.toml"], 2, "lab.toml:1: 'labref = 1': a time such as"),
    ],
)
def test_what_cannot_be_told_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, more: list[str], code: int, message: str
) -> None:
    rng = np.random.default_rng(4)
    asked = schedule(START_NS, NS_PER_S, 8)
    lab_file = record(tmp_path, pi, [m + round(0.4e9 * rng.normal()) for m in asked])
    write_moments(tmp_path, asked)
    monkeypatch.chdir(tmp_path)
    found = run(lab_file, *more)
    assert isinstance(found.exception, LabrefError), found.output
    assert exit_code(found.exception) == code
    with pytest.raises(type(found.exception), match=message):
        raise found.exception


def test_a_channel_without_a_counter_is_refused(tmp_path: Path) -> None:
    lab_file = record(tmp_path, pi, schedule(START_NS, NS_PER_S, 4))
    for channel, message in (("nobody", "this lab has"), ("main", "no channel 'main'")):
        found = CliRunner().invoke(command, [str(lab_file), channel])
        assert isinstance(found.exception, InputError)
        assert message in str(found.exception)


def test_moments_are_read_as_they_are_written(tmp_path: Path) -> None:
    moments = [START_NS + 123_456_789, START_NS + 7 * NS_PER_S]
    assert read_moments(write_moments(tmp_path, moments)) == tuple(moments)
    other = tmp_path / "seconds.txt"
    other.write_text("# by hand\n1795564800.25\n\n1795564813 # up\n", "utf-8")
    assert read_moments(other) == (1795564800_250000000, 1795564813_000000000)
    other.write_text("# nothing\n", "utf-8")
    with pytest.raises(InputError, match="no moment"):
        read_moments(other)


def test_moments_for_a_person_lie_ahead_and_can_be_read_from_a_clock() -> None:
    listener = Listener("beat")
    bench = MemoryBench(comb_lab(), extra=[("weighting", listener)])
    bench.run({"f_rep": [0.0], "f_ceo": [0.0], "wm": [0.0], "beat": [0.0]})
    moments = plan(listener, bench.clock, 12, None)
    assert moments[0] - bench.clock.now_ns() >= 15 * NS_PER_S
    assert all(moment % 10_000_000 == 0 for moment in moments)
    assert len({(moment - START_NS) % NS_PER_S for moment in moments}) == 12
    begin, end = plan(listener, bench.clock, 12, Fraction("7.3"))
    assert end - begin == pytest.approx(14 * 7.3e9)
    with pytest.raises(InputError, match="too quick"):
        plan(listener, bench.clock, 12, Fraction("2.3"))
    wait_until(listener, bench.clock, START_NS + NS_PER_S)
    with pytest.raises(RefusedError, match="the counter is silent"):
        wait_until(listener, bench.clock, START_NS + 100 * NS_PER_S)
