"""Spectrum traces and digitiser records."""

from __future__ import annotations

import math
import struct
import warnings
from pathlib import Path

import numpy as np
import pytest

from labref.drivers.catalogue import Catalogue
from labref.drivers.record import fetch_record, load_record
from labref.drivers.trace import beat_of
from labref.model.errors import InputError, ReplyError
from labref.model.times import VirtualClock
from labref.transport.blocking import Transport
from labref.transport.memory import AnsweringPeer, MemoryWire


def lorentzian(
    center_hz: float, fwhm_hz: float, floor_dbm: float
) -> tuple[np.ndarray, float, float]:  # type: ignore[type-arg]
    start, stop, n = 50e6, 70e6, 4001
    f = np.linspace(start, stop, n)
    power = 1e-3 / (1 + (2 * (f - center_hz) / fwhm_hz) ** 2) + 10 ** (floor_dbm / 10)
    return 10 * np.log10(power), start, stop


def test_level_frequency_width_and_signal_to_noise() -> None:
    levels, start, stop = lorentzian(61.237e6, 300e3, -80.0)
    beat = beat_of(levels, start, stop, 30e3)
    assert beat["level"] == pytest.approx(-30, abs=0.01)
    assert beat["frequency"] == pytest.approx(61.237e6, abs=5e3)
    # 3 dB is a factor 1.995, not 2: the width read off is 0.25 % below the full width.
    assert beat["linewidth"] == pytest.approx(300e3 * math.sqrt(10**0.3 - 1), rel=2e-3)
    # The median includes the line's wings; the floor alone would give 50 - 10 log10(100/30).
    assert beat["snr"] == pytest.approx(beat["level"] - np.median(levels) - 5.2288, abs=1e-3)


def test_noise_without_a_line_has_a_level_only() -> None:
    levels = np.random.default_rng(1).normal(-80, 2, 601)
    beat = beat_of(levels, 50e6, 70e6, 100e3)
    assert math.isfinite(beat["level"])
    assert all(math.isnan(beat[name]) for name in ("snr", "frequency", "linewidth"))


@pytest.mark.parametrize(
    ("levels", "start", "stop", "bandwidth"),
    [(np.zeros(5), 1, 2, 1), (np.zeros(100), 2, 1, 1), (np.zeros(100), 1, 2, 0),
     (np.full(100, np.nan), 1, 2, 1), (np.full(100, 9.9e37), 1, 2, 1)],
)  # fmt: skip
def test_what_is_no_trace(levels: np.ndarray, start: float, stop: float, bandwidth: float) -> None:  # type: ignore[type-arg]
    with pytest.raises(ReplyError):
        beat_of(levels, start, stop, bandwidth)


def digitiser(values: list[float], points: int) -> Transport:
    clock = VirtualClock(5)
    data = struct.pack(f">{len(values)}d", *values)

    def answer(line: bytes) -> bytes | None:
        if line == b":FETC:WAV?":
            return b"#%d%d%s\n" % (len(str(len(data))), len(data), data)
        if b"?" not in line:
            return None
        parts = [{b":ACQ:SRAT?": b"1E7", b":ACQ:POIN?": b"%d" % points}.get(u, b'0,"No error"')
                 for u in line.split(b";")]  # fmt: skip
        return b";".join(parts) + b"\n"

    transport = Transport(MemoryWire(AnsweringPeer(answer, clock), clock), clock)
    transport.open()
    return transport


def test_a_beat_record_is_complex() -> None:
    transport = digitiser([1.0, 2.0, 3.0, 4.0], 2)
    dialect = Catalogue().get("scpi-digitiser")
    record = transport.perform(fetch_record(dialect, "iq", transport.clock))
    np.testing.assert_array_equal(record.samples, [1 + 2j, 3 + 4j])
    assert record.dt_s == 1e-7
    assert record.start_ns == 5


def test_an_error_signal_is_in_hertz_by_its_slope() -> None:
    transport = digitiser([0.1, -0.2, 0.3], 3)
    dialect = Catalogue().get("scpi-digitiser")
    record = transport.perform(fetch_record(dialect, "error", transport.clock, 1e-6))
    np.testing.assert_allclose(record.error_hz(), [1e5, -2e5, 3e5])


def test_a_short_record_is_refused() -> None:
    transport = digitiser([1.0, 2.0], 2)
    dialect = Catalogue().get("scpi-digitiser")
    with pytest.raises(ReplyError, match="2 finite values where 4 belong"):
        transport.perform(fetch_record(dialect, "iq", transport.clock))


def test_records_come_from_files(tmp_path: Path) -> None:
    (tmp_path / "iq.txt").write_text("# I, Q\n1,2\n3,4\n")
    np.save(tmp_path / "error.npy", np.array([0.5, 0.25]))
    iq = load_record(tmp_path / "iq.txt", "iq", 1e-6)
    error = load_record(tmp_path / "error.npy", "error", 1e-6, slope_v_per_hz=0.5)
    np.testing.assert_array_equal(iq.samples, [1 + 2j, 3 + 4j])
    np.testing.assert_array_equal(error.error_hz(), [1.0, 0.5])


@pytest.mark.parametrize("text", ["", "1\n", "1 2\n3\n", "a\nb\n", "1\nnan\n", "1 2 3\n4 5 6\n"])
def test_files_that_hold_no_record_are_named(tmp_path: Path, text: str) -> None:
    path = tmp_path / "record.txt"
    path.write_text(text)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # numpy's, about an empty file
        with pytest.raises(InputError, match=r"record\.txt"):
            load_record(path, "error", 1e-6)


def test_an_error_signal_without_slope_has_no_hertz(tmp_path: Path) -> None:
    np.save(tmp_path / "error.npy", np.array([0.5, 0.25]))
    with pytest.raises(InputError, match="slope"):
        load_record(tmp_path / "error.npy", "error", 1e-6).error_hz()
