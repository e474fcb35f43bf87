"""Second thoughts: a night with wrong integers repaired to the truth, its parent untouched."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from labref.cli.rederive import command, derive
from labref.config.edit import parse_path, value_at, with_value
from labref.config.lab import Lab
from labref.model.errors import InputError
from labref.model.times import NS_PER_S, VirtualClock, iso
from labref.model.verdict import State
from labref.plugins import load_plugins
from labref.session.corrections import epochs, read_corrections
from labref.session.memory import MemorySource
from labref.session.session import Session
from labref.trace.reader import open_trace

HOURS = 0.5
# n of the 854 laser off by one; the single-pass AOM of the 866 nm light with its order reversed.
WRONG_N = "n = 1403297", "n = 1403298"
WRONG_AOM = (
    '2D3/2 - 4p 2P1/2\npath = [{ aom_hz = 80e6, reference = "gnssdo", order = 1 }]',
    '2D3/2 - 4p 2P1/2\npath = [{ aom_hz = 80e6, reference = "gnssdo", order = -1 }]',
)
# Those by which the night was judged when it was recorded.
CHECKS = ("tolerance", "evidence", "tooth")


def record(truth: ModuleType, night: Any, lab: Lab, out: Path) -> None:
    """The night through a session that records, all at once."""
    source = MemorySource()
    start = night.logs["a"].start_ns
    clock = VirtualClock(int(start[0]))
    plugins = load_plugins(CHECKS)
    with Session(lab, [source], plugins, out=out, clock=clock, segment_s=86_400.0) as session:
        source.put(*truth.readings_of(night, lab))
        clock.advance_ns(int(start[-1] - start[0]) + 10 * NS_PER_S)
        session.step()


@pytest.fixture(scope="module")
def night(truth: ModuleType) -> Any:
    return truth.comb_night().make_night(5, HOURS)


@pytest.fixture(scope="module")
def wrong(truth: ModuleType, night: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Recorded with both mistakes in force, and 866 and 854 therefore never good."""
    out = tmp_path_factory.mktemp("wrong") / "trace"
    record(truth, night, truth.lab_of(WRONG_N, WRONG_AOM), out)
    return out


def corrected(path: str, value: str, begin: str = "", end: str = "") -> str:
    dates = f'valid_from = "{begin}"\n' * bool(begin) + f'valid_to = "{end}"\n' * bool(end)
    return (
        f'[[correction]]\nwhat = "{path}"\nvalue = {value}\n{dates}'
        'source = "found anew with the wavemeter"\nauthor = "A. Person"\n'
    )


BOTH = corrected("lasers.L854.n", "1403297") + corrected("transitions.repump866.path.0.order", "1")


def compare_with_truth(truth: ModuleType, night: Any, out: Path, name: str) -> float:
    """Largest difference between derived and true detuning in units of u."""
    with open_trace(out) as trace:
        series = trace.series(name)
    counter = next(x.counter for x in truth.comb_night().LASERS if x.transition == name)
    second = np.searchsorted(night.logs[counter].start_ns, series.start_ns)
    assert series.detuning is not None
    assert series.u_constant is not None
    true = night.truth[name][second] - night.target_error_hz[name]
    u = np.hypot(series.errors, series.u_constant)
    used = np.isfinite(series.detuning)
    assert used.mean() > 0.9
    return float(np.max(np.abs(series.detuning - true)[used] / u[used]))


def test_a_night_with_wrong_integers_is_repaired_to_the_truth(
    truth: ModuleType, night: Any, wrong: Path, tmp_path: Path
) -> None:
    before = {path.name: path.read_bytes() for path in wrong.glob("*.h5")}
    for name in ("repump854", "repump866"):
        assert compare_with_truth(truth, night, wrong, name) > 100
    values, made = derive(wrong, None, BOTH, tmp_path / "new", load_plugins(CHECKS))
    for name in truth.comb_night().LASERS:
        assert compare_with_truth(truth, night, tmp_path / "new", name.transition) < 6
    moved = [row for _, rows in made.moved for row in rows if row.changed]
    assert {row.transition for row in moved} == {"repump854", "repump866"}
    good = [row for row in moved if row.now is State.GOOD]
    sizes = {row.transition: row.mean_hz for row in good}
    assert sizes["repump854"] == pytest.approx(-250.0e6, rel=1e-3)  # one tooth
    assert sizes["repump866"] == pytest.approx(160.0e6, abs=1.0)  # twice the drive
    assert {path.name: path.read_bytes() for path in wrong.glob("*.h5")} == before
    sums = {name: hashlib.sha256(data).hexdigest() for name, data in before.items()}
    assert values["parent"]["files"] == sums
    with open_trace(tmp_path / "new") as trace:
        assert trace.layout.versions["derived_from"] == values["parent"]["sha256"]
        assert trace.channels == ()


def test_the_same_lab_gives_the_same_numbers_bit_by_bit(wrong: Path, tmp_path: Path) -> None:
    _, made = derive(wrong, None, "", tmp_path / "again", load_plugins(CHECKS))
    assert not [row for _, rows in made.moved for row in rows if row.changed or row.largest_hz > 0]
    with open_trace(wrong) as old, open_trace(tmp_path / "again") as new:
        for name in old.transitions:
            one, two = old.series(name), new.series(name)
            for column in ("start_ns", "offset", "errors", "flags", "state", "u_constant"):
                assert np.array_equal(getattr(one, column), getattr(two, column), equal_nan=True)


def test_a_correction_holds_from_its_date_on(
    truth: ModuleType, night: Any, wrong: Path, tmp_path: Path
) -> None:
    middle = int(night.logs["a"].start_ns[900])
    text = corrected("lasers.L854.n", "1403297", begin=iso(middle, 0))
    _, made = derive(wrong, None, text, tmp_path / "half", load_plugins(CHECKS))
    assert [epoch.begin_ns for epoch, _ in made.moved][1] == middle
    with open_trace(tmp_path / "half") as trace:
        series = trace.series("repump854")
    assert series.state is not None
    late = series.start_ns >= middle
    assert not (series.state[~late] == State.GOOD).any()
    # The wavemeter of before the edge still speaks at the first gates after it.
    assert (series.state[late] == State.GOOD).mean() > 0.9
    assert series.epochs is not None
    assert len({span.nominal for span in series.spans}) == 2


def test_an_offset_of_a_wavemeter_is_taken_out(wrong: Path, tmp_path: Path) -> None:
    """Told that the wavemeter reads 100 MHz high, its witnesses no longer agree."""
    text = corrected("channels.wavemeter_846.offset", "100e6")
    _, made = derive(wrong, None, text, tmp_path / "off", load_plugins(CHECKS))
    rows = [row for _, rows in made.moved for row in rows if row.changed]
    assert {row.transition for row in rows} == {"ionise423"}
    assert all(row.now is not State.GOOD for row in rows)


def test_a_blind_offset_hides_the_numbers_and_not_the_verdicts(wrong: Path, tmp_path: Path) -> None:
    secret = tmp_path / "secret.json"
    derive(wrong, None, "", tmp_path / "blind", load_plugins(CHECKS), secret, 1000.0)
    hidden = json.loads(secret.read_text())["hidden_hz"]
    assert secret.stat().st_mode & 0o077 == 0
    with open_trace(wrong) as old, open_trace(tmp_path / "blind") as new:
        for name in old.transitions:
            one, two = old.series(name), new.series(name)
            assert np.nanmax(np.abs(two.offset - one.offset - hidden[name])) < 1e-3
            assert np.array_equal(one.state, two.state)  # type: ignore[arg-type]
    told = (tmp_path / "blind" / "derivation.json").read_text()
    assert not any(repr(value) in told for value in hidden.values())


def test_the_command_prints_what_moved_and_how_fast(wrong: Path, tmp_path: Path) -> None:
    (tmp_path / "fix.toml").write_text(BOTH, "utf-8")
    run = CliRunner().invoke(
        command,
        [str(wrong), "--corrections", str(tmp_path / "fix.toml"), "--out", str(tmp_path / "n")],
    )
    assert run.exit_code == 0, run.output
    assert "bad -> good" in run.output
    assert "million a second" in run.output
    again = CliRunner().invoke(command, [str(wrong), "--out", str(tmp_path / "j"), "--json"])
    assert json.loads(again.output)["gates"] > 8000


def test_a_derived_record_is_not_derived_again(wrong: Path, tmp_path: Path) -> None:
    derive(wrong, None, "", tmp_path / "one", load_plugins(CHECKS))
    with pytest.raises(InputError, match="derive its parent"):
        derive(tmp_path / "one", None, "", tmp_path / "two", load_plugins(CHECKS))
    with pytest.raises(InputError, match="already holds"):
        derive(wrong, None, "", tmp_path / "one", load_plugins(CHECKS))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("x = 1", "nothing else"),
        ("[[correction]]\nwhat = 'a'\nvalue = 1\nsource = 's'", "'author' is missing"),
        (corrected("lasers.L854.nn", "1"), r"no lasers\.L854\.nn"),
        (corrected("lasers.L854.n", "1") * 2, "keep one"),
        (corrected("a", "1", "2026-01-02T00:00:00Z", "2026-01-01T00:00:00Z"), "not before"),
        (corrected("channels.a.offset", '"x"'), "is a number"),
    ],
)
def test_wrong_corrections_are_refused(truth: ModuleType, text: str, message: str) -> None:
    lab_text = (truth.EXAMPLES / "comb_night.toml").read_text("utf-8")
    with pytest.raises(InputError, match=message):
        epochs(lab_text, read_corrections(text), 0, 10)


def test_one_value_is_changed_and_every_comment_stays(truth: ModuleType) -> None:
    text = (truth.EXAMPLES / "comb_night.toml").read_text("utf-8")
    path = parse_path("transitions.cooling397.path.1.order")
    changed = with_value(text, path, -1)
    assert value_at(changed, path) == -1
    changed = with_value(changed, ("lasers", "L854", "evidence", "k"), 5)
    assert value_at(changed, ("lasers", "L854", "evidence")) == {"k": 5}
    kept = set(text.split("\n")) - set(changed.split("\n"))
    assert len(kept) <= 4  # the lines of that one path
