"""Everybody's tools read a sealed file and a half-filled live one."""

import subprocess
import sys
from pathlib import Path

import h5py
import numpy as np
import pytest

from labref.model.verdict import State
from labref.trace.live import TraceWriter

GATE_NS = 1_000_000_000
ROWS = 1200


@pytest.fixture(params=["live", "sealed"])
def path(request, tmp_path, layout, clock, readings, result, start_ns):
    writer = TraceWriter(tmp_path, layout, clock=clock)
    writer.store(
        [
            readings("f_rep", 0, ROWS),
            readings("beat729", 0, ROWS),
            readings("slow", 0, ROWS // 10, 10 * GATE_NS),
        ],
        [result(0, [1, 2, 0] * (ROWS // 3))],
    )
    writer.message(start_ns, "note", "größer " * 100)
    writer.validity("clock729", start_ns, start_ns + GATE_NS, State.GOOD, "")
    if request.param == "live":
        yield next(tmp_path.glob("*.live.h5"))
        writer.close()
    else:
        yield writer.close()[0]


def test_plain_h5py(path, offset_of):
    with h5py.File(path, "r") as file:
        assert file.attrs["default"] == "entry"
        assert file["entry"].attrs["default"] == "clock729"
        group = file["entry/clock729"]
        assert group.attrs["nominal"] == "411042129776400.4"
        assert group.attrs["target_hz"] == "411042129776393.2"
        assert group.attrs["equation"] == "n*f_rep + f_beat"
        written = group["flags"][:] & 1 != 0
        assert written.sum() == ROWS
        times = group["time_ns"][:][written]
        assert np.array_equal(group["offset"][:][written], offset_of("clock729", times))
        assert file["entry/lab_file/data"][()].decode() == "labref = 1\n# größer\n"
        assert file["entry/slow"].attrs["nominal"] == "1/3"
        assert file["entry/slow/offset"].attrs["units"] == "V"
        assert group["offset"].dims[0][0] == group["time"]


def test_xarray_and_pandas(path, need_package, offset_of, start_ns):
    for package in ("xarray", "h5netcdf", "pandas"):
        need_package(package)
    import pandas as pd
    import xarray

    for name in ("f_rep", "clock729"):
        with xarray.open_dataset(path, engine="h5netcdf", group=f"entry/{name}") as data:
            assert data.time.dtype == "datetime64[ns]"
            assert int(data.time[5].values.astype("int64")) == start_ns + 5 * GATE_NS
            chosen = data.offset.sel(time=slice("2019-03-01T22:40:00", "2019-03-01T22:40:09"))
            times = start_ns + np.arange(600, 610) * GATE_NS
            assert np.array_equal(chosen.values, offset_of(name, times))
            near = data.offset.sel(time="2019-03-01T22:40:00.3", method="nearest")
            assert near.values == chosen.values[0]
            minutes = data.offset.resample(time="1min").mean()
            assert minutes.values[3] == pytest.approx(
                offset_of(name, start_ns + np.arange(180, 240) * GATE_NS).mean()
            )
            frame = data.to_dataframe()
            assert frame.index.is_unique
            assert frame.index.is_monotonic_increasing
            moment = pd.Timestamp("2019-03-01T22:40:00")
            assert frame.loc[moment, "offset"] == chosen.values[0]


def test_records_in_xarray(path, need_package):
    need_package("h5netcdf")
    need_package("xarray")
    import xarray

    for group in ("clock729_validity", "messages"):
        with xarray.open_dataset(path, engine="h5netcdf", group=f"entry/{group}") as data:
            assert len(data.variables) in (4, 5)


def test_h5ls_and_h5dump(path, need_program):
    for command in (
        [need_program("h5ls"), "-r", str(path)],
        [need_program("h5dump"), "-H", str(path)],
        [need_program("h5dump"), "-d", "/entry/clock729/state", "-s", "0", "-c", "6", str(path)],
    ):
        done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
        assert done.returncode == 0, done.stderr
    assert "(0): 1, 2, 0, 1, 2, 0" in done.stdout


def test_nexusformat(path, need_package):
    need_package("nexusformat")
    from nexusformat.nexus import nxload

    entry = nxload(str(path))["entry"]
    data = entry.plottable_data
    assert data.nxname == "clock729"
    assert data.nxsignal.nxname == "detuning"
    assert data.nxerrors is not None
    assert [axis.nxname for axis in data.nxaxes] == ["time"]


def test_punx_finds_no_error(path, need_package):
    need_package("punx")
    punx = Path(sys.executable).parent / "punx"
    done = subprocess.run(
        [str(punx), "validate", str(path)], capture_output=True, text=True, timeout=120, check=False
    )
    counts = {
        words[0]: int(words[1])
        for line in done.stdout.splitlines()
        if len(words := line.split()) > 2
        and words[0] in ("OK", "NOTE", "WARN", "ERROR")
        and words[1].isdigit()
    }
    assert counts["OK"] > 100, done.stdout + done.stderr
    assert counts["ERROR"] == counts["WARN"] == 0, done.stdout


@pytest.mark.long
def test_silx_plots_the_detuning_by_default(path, need_package):
    need_package("silx")
    import silx.io
    from silx.io import nxdata

    with silx.io.open(str(path)) as file:
        default = nxdata.get_default(file)
        assert default.is_valid
        assert default.is_curve
        assert default.signal.name.endswith("clock729/detuning")
        assert default.axes_names == ["start of the gate (s since 2019-03-01T22:00:00Z)"]
        assert np.nanmax(default.errors) == 0.5
