"""Every schema version stays readable: one live and one sealed file of each is kept.

``schema/version1-*.h5.gz`` were written by the release that introduced version 1 (readings
invented): 20 gates of 1 s from 2026-11-25T08:00:00Z of ``f_rep`` and ``clock729``, 10 of 2 s of
``level``. When the schema changes, files of the new version are added and these stay.
"""

import gzip
from fractions import Fraction
from pathlib import Path

import h5py
import numpy as np
import pytest

from labref.model.errors import TraceError
from labref.model.times import parse_iso
from labref.model.verdict import State
from labref.trace.reader import open_trace
from labref.trace.tables import SCHEMA_VERSION
from labref.trace.verify import verify_file

FIXTURES = sorted((Path(__file__).parent / "schema").glob("*.h5.gz"))
START_NS = parse_iso("2026-11-25T08:00:00Z")
GATE_NS = 1_000_000_000


def unpacked(fixture: Path, folder: Path) -> Path:
    path = folder / fixture.name.removesuffix(".gz")
    path.write_bytes(gzip.decompress(fixture.read_bytes()))
    return path


@pytest.mark.parametrize("fixture", FIXTURES, ids=lambda path: path.name)
def test_a_file_of_this_version_reads_as_it_always_did(fixture, tmp_path):
    path = unpacked(fixture, tmp_path)
    assert not verify_file(path).damage
    with open_trace(path) as trace:
        assert trace.channels == ("f_rep", "level")
        assert trace.lab_text == "labref = 1\n# größer\n"
        clock = trace.series("clock729")
        assert clock.nominal == Fraction("411042129776400.4")
        assert clock.spans[0].target == Fraction("411042129776393.2")
        assert clock.epochs == (3,)
        assert np.array_equal(clock.start_ns, START_NS + np.arange(20) * GATE_NS)
        assert np.array_equal(clock.offset, np.arange(20) * 0.5)
        assert list(clock.state) == [1] * 15 + [2] * 3 + [0] * 2
        assert trace.series("level").nominal == Fraction(1, 3)
        assert np.array_equal(trace.series("f_rep").errors, np.full(20, 0.01))
        assert trace.was_good("clock729", START_NS, START_NS + 15 * GATE_NS) is True
        assert trace.was_good("clock729", START_NS, START_NS + 16 * GATE_NS) is False
        assert [m.text for m in trace.messages()] == ["größer " * 60]
        good, bad = trace.validity("clock729")
        assert (good.state, good.reason) == (State.GOOD, "")
        assert (bad.state, bad.reason) == (State.BAD, "detuning beyond its limit " * 8)


def test_there_is_a_fixture_of_every_version():
    for version in range(1, SCHEMA_VERSION + 1):
        for form in ("live", "sealed"):
            assert any(path.name == f"version{version}-{form}.h5.gz" for path in FIXTURES)


def test_a_newer_version_is_refused_by_name(tmp_path):
    path = unpacked(FIXTURES[-1], tmp_path)
    with h5py.File(path, "r+") as file:
        file["entry"].attrs["schema_version"] = np.uint32(SCHEMA_VERSION + 1)
    with pytest.raises(TraceError, match=r"schema version \d+ is not one that this release reads"):
        open_trace(path).channels  # noqa: B018
