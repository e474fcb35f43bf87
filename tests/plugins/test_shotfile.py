"""A shot's record in the sequencer's own file: written once or twice, locked or not."""

from __future__ import annotations

import math
import subprocess
import sys
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from click.testing import CliRunner

import labref_shotfile
from labref.model.errors import InputError, TraceError
from labref.model.shot import ShotRecord, WindowClock
from labref.model.times import VirtualClock
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab
from labref_shotfile import annotate, shot_trace
from labref_shotfile.command import command

S = 10**9
EXACT = WindowClock("trigger", 0, 0)


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, ShotRecord]:
    """A trace of 30 gates and the record of one shot in it."""
    folder = tmp_path_factory.mktemp("lab")
    bench = MemoryBench(comb_lab(("sigma = 1e-5", "sigma = 1e-7")), out=folder / "trace")
    gate = {"f_rep": [0.0], "f_ceo": [0.0], "beat": [250.0], "wm": [0.0]}
    for _ in range(3):
        bench.run(gate)
    with bench.session.shot("0815", clock=EXACT) as shot:
        for _ in range(3):
            bench.run(gate)
    for _ in range(3):
        bench.run(gate)
    bench.session.stop()
    return folder / "trace", shot.record()


@pytest.fixture
def shot_file(tmp_path: Path) -> Path:
    """A file as a sequencer leaves it: its own groups, attributes and data."""
    path = tmp_path / "shot.h5"
    with h5py.File(path, "w") as file:
        file.attrs["sequence"] = "mot_load"
        file.create_group("devices")["ni"] = np.arange(3)
    return path


def contents(path: Path) -> dict[str, Any]:
    found: dict[str, Any] = {}

    def visit(name: str, thing: Any) -> None:
        found[name] = {key: str(value) for key, value in thing.attrs.items()}
        if isinstance(thing, h5py.Dataset):
            found[f"{name}[]"] = np.asarray(thing[()]).tolist()

    with h5py.File(path, "r") as file:
        found["/"] = dict(file.attrs)
        file.visititems(visit)
    return found


def test_scalars_are_attributes_of_one_group(lab: tuple[Path, ShotRecord], shot_file: Path) -> None:
    before = contents(shot_file)
    annotate(shot_file, lab[1])
    with h5py.File(shot_file, "r") as file:
        said = file["labref"].attrs
        assert said["shot"] == "0815"
        assert (said["good"], said["clock729_good"]) == (1, 1)
        assert said["clock729_offset_hz"] == pytest.approx(250.0)
        assert said["clock729_frequency_hz"] == "411042129776650.000000"
        assert said["clock729_u_hz"] == pytest.approx(lab[1]["clock729"].u_hz)
        assert int(said["start_ns"]) == lab[1].start_ns
        assert list(file) == ["devices", "labref"]
    after = contents(shot_file)
    assert {name: after[name] for name in before} == before


def test_writing_twice_is_writing_once(lab: tuple[Path, ShotRecord], shot_file: Path) -> None:
    trace = {"clock729": (np.arange(3.0), np.array([1.0, 2.0, 3.0]))}
    annotate(shot_file, lab[1], traces=trace)
    once = contents(shot_file)
    annotate(shot_file, lab[1], traces=trace)
    assert contents(shot_file) == once
    assert once["labref/traces/clock729[]"] == [(0.0, 1.0), (1.0, 2.0), (2.0, 3.0)]


def test_an_older_record_of_the_shot_leaves_nothing_behind_and_others_attributes_stay(
    lab: tuple[Path, ShotRecord], shot_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    annotate(shot_file, lab[1])
    with h5py.File(shot_file, "r+") as file:
        file["labref"].attrs["note"] = "by hand"
    monkeypatch.setattr(labref_shotfile, "attributes", lambda record: {"shot": record.shot})
    annotate(shot_file, lab[1])
    with h5py.File(shot_file, "r") as file:
        assert sorted(file["labref"].attrs) == ["labref_fields", "note", "shot"]


def test_the_results_convention(lab: tuple[Path, ShotRecord], shot_file: Path) -> None:
    trace = {"clock729": shot_trace(np.array([5 * S, 6 * S]), np.array([1.0, 2.0]), 4 * S)}
    annotate(shot_file, lab[1], convention="results")
    with pytest.raises(InputError, match="no group 'data' yet"):
        annotate(shot_file, lab[1], traces=trace, convention="results")
    with h5py.File(shot_file, "r+") as file:
        assert "data" not in file
        file.create_group("data")  # the shot runs: this must not fail
    annotate(shot_file, lab[1], traces=trace, convention="results")
    with h5py.File(shot_file, "r") as file:
        assert file["results/labref"].attrs["clock729_good"] == 1
        rows = file["data/traces/labref_clock729"]
        assert rows.dtype.names == ("t", "values")
        assert rows["t"].tolist() == [1.0, 2.0]
        assert "labref" not in file


def test_unknown_is_never_good(shot_file: Path) -> None:
    bench = MemoryBench(comb_lab())
    with bench.session.shot("empty") as shot:
        bench.clock.advance_ns(S)
    annotate(shot_file, shot.record(0))
    with h5py.File(shot_file, "r") as file:
        said = file["labref"].attrs
        assert (said["good"], said["clock729_good"], said["clock729_coverage"]) == (-1, -1, 0.0)
        assert math.isnan(said["clock729_offset_hz"])
        assert not said["complete"]


HOLD = """
import h5py, sys
file = h5py.File(sys.argv[1], "r+")
print("held", flush=True)
sys.stdin.readline()
file.close()
print("free", flush=True)
sys.stdin.readline()
"""


def test_a_locked_file_is_tried_again_and_then_named(
    lab: tuple[Path, ShotRecord], shot_file: Path
) -> None:
    """Another process holds the file; it lets go the third time we wait."""
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(shot_file)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    ) as other:  # fmt: skip
        assert other.stdin is not None
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"

        class Clock(VirtualClock):
            waits = 0

            def wait(self, seconds: float) -> None:
                super().wait(seconds)
                self.waits += 1
                if self.waits == 203:
                    other.stdin.write("\n")
                    other.stdin.flush()
                    other.stdout.readline()

        clock = Clock()
        with pytest.raises(TraceError, match=r"shot\.h5: cannot be written"):
            annotate(shot_file, lab[1], clock=clock, retry_s=10.0)
        assert clock.monotonic_s() == pytest.approx(10.0)
        annotate(shot_file, lab[1], clock=clock, retry_s=10.0)
        assert clock.waits == 203
        other.stdin.write("\n")
    with h5py.File(shot_file, "r") as file:
        assert file["labref"].attrs["shot"] == "0815"


def test_a_replaced_file_class_is_honoured(
    lab: tuple[Path, ShotRecord], shot_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sequencer's locking replaces h5py.File and refuses to open without an explicit mode."""
    modes = []

    class Locked(h5py.File):  # type: ignore[misc]
        def __init__(self, name: str, mode: str | None = None, **more: Any) -> None:
            modes.append(mode)
            super().__init__(name, mode, **more)

    monkeypatch.setattr(h5py, "File", Locked)
    annotate(shot_file, lab[1])
    assert modes == ["r+"]


def test_refusals(lab: tuple[Path, ShotRecord], shot_file: Path, tmp_path: Path) -> None:
    with pytest.raises(TraceError, match="no such shot file"):
        annotate(tmp_path / "none.h5", lab[1])
    assert not (tmp_path / "none.h5").exists()
    with pytest.raises(InputError, match="no convention 'x'"):
        annotate(shot_file, lab[1], convention="x")
    with pytest.raises(InputError, match="one length"):
        annotate(shot_file, lab[1], traces={"a": (np.zeros(2), np.zeros(3))})
    with pytest.raises(InputError, match="without '/'"):
        annotate(shot_file, lab[1], traces={"a/b": (np.zeros(2), np.zeros(2))})
    (tmp_path / "text.h5").write_text("no HDF5")
    with pytest.raises(TraceError, match="cannot be written"):
        annotate(tmp_path / "text.h5", lab[1])


def test_a_nights_worth_by_command(
    lab: tuple[Path, ShotRecord], shot_file: Path, tmp_path: Path
) -> None:
    trace, record = lab
    windows = tmp_path / "windows.csv"
    windows.write_text(
        "shot,start,stop,file\n"
        f"one,{record.start_ns},{record.stop_ns},{shot_file.name}\n"
        f"two,{record.start_ns},{record.stop_ns},missing.h5\n"
    )
    given = [str(trace), "--windows", str(windows), "--alignment-u-ns", "0", "--traces"]
    done = CliRunner().invoke(command, given)
    assert done.exit_code == 1
    assert "1 shot files written, 1 failed" in done.output
    assert "windows.csv:3:" in done.output
    with h5py.File(shot_file, "r") as file:
        assert file["labref"].attrs["shot"] == "one"
        assert file["labref/traces/clock729"]["t"].tolist() == [0.0, 1.0, 2.0]
    windows.write_text(f"shot,start,stop\na,{record.start_ns},{record.stop_ns}\n")
    assert CliRunner().invoke(command, given).exit_code == 2
