"""One task per file: the same result alone, on a pool and on a cluster; damage costs one file."""

from __future__ import annotations

from pathlib import Path

import allantools
import numpy as np
import pytest

from labref.model.errors import InputError
from labref.trace.reader import open_trace

pytest.importorskip("duckdb")

from labref_archive.years import deviations


def test_the_deviation_is_that_of_the_reference_library(folder: Path) -> None:
    """allantools, as installed, over the gap-free first 3000 gates of a day."""
    with open_trace(folder / "2026-11-03.h5") as trace:
        series = trace.series("clock729")
    first = deviations(folder, ["clock729", "nobody"])
    assert [one.file for one in first] == [f"2026-11-0{n}.h5" for n in (1, 2, 3, 4)]
    assert first[0].problems == {"nobody": "not in this file"}
    tau, value, low, high = first[2].values["clock729"]
    y = series.offset[6:3000] / float(series.nominal)
    _, theirs, _, _ = allantools.oadev(y, rate=1.0, data_type="freq", taus=[1.0])
    # The whole day against its first part: 7000 terms against 3000, white noise.
    assert tau[0] == 1.0
    assert value[0] == pytest.approx(theirs[0], rel=0.05)
    assert all(a < b < c for a, b, c in zip(low, value, high, strict=True))
    assert np.all(np.diff(tau) > 0)


def test_a_pool_gives_the_same(folder: Path) -> None:
    (folder / "2026-11-02.h5").write_bytes(b"broken")
    alone = deviations(folder)
    seen: list[int] = []
    pooled = deviations(folder, workers=2, progress=lambda done, _: seen.append(done))
    assert pooled == alone
    assert seen == [1, 2, 3, 4]
    assert "cannot be" in alone[1].problems[""]
    assert not alone[1].values


def test_a_cluster_gives_the_same(folder: Path) -> None:
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=1,
        threads_per_worker=1,
        processes=False,
        dashboard_address=None,
        protocol="tcp",
        host="127.0.0.1",
    ) as cluster:
        assert deviations(folder, cluster=cluster.scheduler_address) == deviations(folder)


def test_an_empty_folder_is_one_clear_error(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no sealed trace files"):
        deviations(tmp_path)
