"""The invented night: its logs say what its arrays say, its truth follows its physics."""

from __future__ import annotations

import os
import subprocess
import sys
from fractions import Fraction
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from labref.config.lab import Lab, load_lab
from labref.model.flags import Flag
from labref.model.readings import Readings, join
from labref.plugins import load_plugins
from labref.session.log_merge import merge, open_logs

ROOT = Path(__file__).parents[2]
HOURS = 0.25


@pytest.fixture(scope="module")
def lab() -> Lab:
    plugins = load_plugins(("tolerance", "evidence"))
    return load_lab(ROOT / "examples" / "comb_night.toml", plugins.tables())


def read_back(paths: list[Path], lab: Lab) -> dict[str, Readings]:
    blocks = [r for block in merge(open_logs(paths[:3], lab), 100) for r in block]
    names = {block.channel for block in blocks}
    return {name: join([b for b in blocks if b.channel == name]) for name in names}


def test_the_logs_read_back_exactly(comb_night: ModuleType, lab: Lab, tmp_path: Path) -> None:
    night = comb_night.make_night(5, HOURS)
    found = read_back(comb_night.write_night(night, tmp_path), lab)
    odd = 0
    for log in night.logs.values():
        whole = ~log.lost & ~log.short
        odd += np.count_nonzero(~whole)
        for name, offsets in log.offsets.items():
            readings, channel = found[name], lab.channels[name]
            wanted = whole & ~np.isnan(offsets) if channel.hold_ns else whole
            starts = log.start_ns[wanted]
            # Stamps in MJD are written to 0.9 microseconds.
            at = np.searchsorted(readings.start_ns, starts - 1000)
            assert (np.abs(readings.start_ns[at] - starts) < 1000).all()
            # A wavemeter's offset went through one float64 of 2e14 Hz in the script, whose
            # steps are 0.03 or 0.06 Hz: the reading is the more exact of the two.
            off = readings.offset[at] - offsets[wanted]
            assert np.nanmax(np.abs(off)) <= (0.07 if channel.kind == "wavemeter" else 0.0)
            gaps = (readings.flags[at] & int(Flag.GAP)) != 0
            assert (gaps == np.isnan(offsets[wanted])).all()
            kept = np.count_nonzero(
                ~log.lost & ~np.isnan(offsets) if channel.hold_ns else ~log.lost
            )
            assert len(readings) <= kept
    assert odd > 40


def test_the_lab_file_describes_this_night(comb_night: ModuleType, lab: Lab) -> None:
    assert float(lab.references["gnssdo"].u) == comb_night.REFERENCE_U
    for laser in comb_night.LASERS:
        transition = lab.transitions[laser.transition]
        assert transition.nominal_hz == transition.target.hz
        name = f"L{laser.name}"
        assert lab.integers[f"lasers.{name}.n"].value == laser.n
        assert lab.integers[f"lasers.{name}.sign"].value == laser.sign
        beat = lab.channels[f"beat_{laser.name}"]
        assert beat.nominal == Fraction(str(laser.beat_hz))
        assert beat.sigma == laser.sigma_hz
        assert transition.target.u_hz == pytest.approx(np.hypot.reduce(laser.target_u_hz))


def test_one_seed_is_one_night(comb_night: ModuleType) -> None:
    one, same, other = (comb_night.make_night(seed, HOURS) for seed in (3, 3, 4))
    for name, log in one.logs.items():
        for channel, offsets in log.offsets.items():
            assert np.array_equal(offsets, same.logs[name].offsets[channel], equal_nan=True)
    assert one.y == same.y != other.y
    assert (one.truth["clock729"] != other.truth["clock729"]).any()


def test_everything_locked_to_a_wrong_reference_reads_perfectly(comb_night: ModuleType) -> None:
    night = comb_night.make_night(1, HOURS, reference_error=1e-10, locked=True, losses=False)
    for name in ("a", "b"):
        for channel, offsets in night.logs[name].offsets.items():
            mean = np.nanmean(offsets)
            assert abs(mean) < 5 * np.nanstd(offsets) / len(offsets) ** 0.5 + 1e-12, channel
    # 41 kHz at 729 nm, 1e-10 of the light.
    assert night.truth["clock729"] == pytest.approx(41_104.2, abs=50)
    assert night.truth["cooling397"] == pytest.approx(75_522.2, abs=50)


def test_gates_of_both_counters_are_means_of_the_same_light(comb_night: ModuleType) -> None:
    make = comb_night.Inventor(1, 20_000, 0.037)
    noise = make.white(1.0)
    a, b = noise.gates("a"), noise.gates("b")
    assert np.std(a) == pytest.approx(1.0, rel=0.03)
    assert np.std(b) == pytest.approx(1.0, rel=0.03)
    # White noise: the unshared 37 ms at either end give sqrt(2 * 0.037).
    assert np.std(a - b) == pytest.approx((2 * 0.037) ** 0.5, rel=0.03)
    line = make.drift(1.0) + make.constant(10_000.0)
    assert np.allclose(line.gates("a"), np.arange(20_000) + 0.5)
    assert np.allclose(line.gates("b"), np.arange(20_000) + 0.537)


def test_the_script_writes_four_files_that_say_they_are_invented(tmp_path: Path) -> None:
    script = ROOT / "examples" / "comb_night.py"
    command = [sys.executable, str(script), "--out", str(tmp_path / "night"), "--hours", "0.1"]
    path = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
    done = subprocess.run(
        [*command, "--seed", "7", "--locked", "--reference-error", "1e-10"],
        capture_output=True, text=True, check=True, env={**os.environ, "PYTHONPATH": path},
    )  # fmt: skip
    names = ["counter_a.log", "counter_b.log", "wavemeter.log", "truth.csv"]
    assert [Path(line).name for line in done.stdout.split()] == names
    for name in names:
        assert "INVENTED" in (tmp_path / "night" / name).read_text().splitlines()[0]
