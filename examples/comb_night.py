"""Writes an INVENTED night of frequency-comb measurements as text logs, with the truth beside.

    python examples/comb_night.py --out night
    labref replay night/*.log --lab examples/comb_night.toml --out night/trace

Nothing here was measured. A 40Ca+ laboratory counts one comb and five lasers on two counters
whose gates start 37 ms apart, a wavemeter looks on; rows are lost, cut short or without a
number. ``truth.csv`` holds what no laboratory knows: the light at the atoms, gate by gate.
The lab's own uncertainties are in examples/comb_night.toml.

The physics, all in SI hertz. The reference runs fast by y, one constant for the night, drawn
with the uncertainty that the lab file states. A counter on it displays f/(1+y) for f; a
synthesizer on it that is set to F gives F(1+y). The comb is locked to it: f_rep and f_ceo are
their set values times (1+y). A laser at its tap is n*f_rep + f_ceo + sign*beat. White
noise is drawn on pieces of 37 and 963 ms, so that both counters' gates are exact means.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from labref.model.times import MJD_OF_POSIX_ZERO, NS_PER_DAY, NS_PER_S, iso, parse_iso

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

START = "2026-11-24T20:00:00Z"
SKEW_MS = 37
F_REP_HZ, F_CEO_HZ = 250_027_500, 35_000_000
HARMONIC, LO_HZ = 40, 9_980_000_000
REFERENCE_U = 1e-12
WAVEMETER_U_HZ, WAVEMETER_SIGMA_HZ = 3e6, 1e6
WAVEMETER_EVERY_S, AOM_EVERY_S = 2, 10
F_REP_SIGMA_HZ, F_CEO_SIGMA_HZ = 2e-4, 5e-3
PER_HZ = 10_000  # a counter displays tenths of a millihertz


@dataclass(frozen=True, slots=True)
class Laser:
    """One laser at its tap, and what it becomes at the atoms: times ``times``, plus ``aom_hz``.

    Its beat, nominally ``beat_hz``, is counted by ``counter`` with one-sigma noise ``sigma_hz``.
    The tap wanders by ``wander_hz``, has white noise ``white_hz`` at 1 s, and jumps by up to
    ``jump_hz`` when out of lock. ``target_u_hz``, ``path_u_hz``: as the lab file states them.
    """

    transition: str
    name: str
    counter: str
    n: int
    sign: int
    beat_hz: float
    sigma_hz: float
    wander_hz: float
    white_hz: float
    jump_hz: float
    times: int
    aom_hz: float
    target_u_hz: tuple[float, ...]
    path_u_hz: float = 10.0


LASERS = (
    Laser("clock729", "1458", "a", 821_993, +1, 59_483_200.2, 2.0, 400.0, 4.0, 8e3,
          2, 220e6, (0.73, 280.0)),
    Laser("cooling397", "794", "a", 1_510_279, -1, 40_287_000.0, 30.0, 0.7e6, 3e3, 5e6,
          2, 200e6, (110e3,)),
    Laser("repump866", "866", "b", 1_383_848, +1, 64_196_000.0, 30.0, 0.8e6, 3e3, 8e6,
          1, 80e6, (140e3,)),
    Laser("repump854", "854", "b", 1_403_297, -1, 72_844_500.0, 30.0, 0.8e6, 3e3, 8e6,
          1, 80e6, (200e3,)),
    Laser("ionise423", "846", "b", 1_418_001, -1, 53_522_500.0, 30.0, 1.2e6, 5e3, 9e6,
          2, -80e6, (350e3,)),
)  # fmt: skip


@dataclass(slots=True)
class Log:
    """One log as arrays: gates of ``gate_s`` that start at ``start_ns``; ``offsets`` by channel
    from ``nominals``, NaN where the cell has no number; rows ``short`` or ``lost``. All (n,).
    """

    start_ns: npt.NDArray[np.int64]
    gate_s: float
    short: Mask
    lost: Mask
    offsets: dict[str, Floats] = field(default_factory=dict)
    nominals: dict[str, float] = field(default_factory=dict)


@dataclass(slots=True)
class Night:
    """``logs`` by name: a, b, wavemeter. ``y``: the reference's fractional error.

    ``truth`` by transition: the light at the atoms minus the lab file's target in Hz, mean over
    each gate of the laser's counter, float64 (n,). ``target_error_hz``: the true target minus
    the lab file's, one draw for the night.
    """

    y: float
    logs: dict[str, Log] = field(default_factory=dict)
    truth: dict[str, Floats] = field(default_factory=dict)
    target_error_hz: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Pieces:
    """A frequency as means over pieces [i, i+skew) and [i+skew, i+1): float64 (2, n+1)."""

    means: Floats
    skew_s: float

    def __add__(self, other: Pieces) -> Pieces:
        return Pieces(self.means + other.means, self.skew_s)

    def times(self, factor: float) -> Pieces:
        """This times a number."""
        return Pieces(factor * self.means, self.skew_s)

    def gates(self, counter: str) -> Floats:
        """Means over the gates of counter a (whole seconds) or b (``skew_s`` later)."""
        short = self.means[0, :-1] if counter == "a" else self.means[0, 1:]
        return self.skew_s * short + (1 - self.skew_s) * self.means[1, :-1]


class Inventor:
    """Draws everything of one night of ``n`` seconds from one seed."""

    def __init__(self, seed: int, n: int, skew_s: float) -> None:
        self.rng = np.random.default_rng(seed)
        self.n, self.skew_s = n, skew_s
        second = np.arange(n + 1)
        self._middles = np.array([second + skew_s / 2, second + (1 + skew_s) / 2])

    def constant(self, value: float) -> Pieces:
        """The same at all times."""
        return Pieces(np.full((2, self.n + 1), value), self.skew_s)

    def drift(self, rate: float) -> Pieces:
        """A straight line through zero at the middle of the night, ``rate`` per second."""
        return Pieces(rate * (self._middles - self.n / 2), self.skew_s)

    def white(self, sigma: float) -> Pieces:
        """White frequency noise whose mean over 1 s scatters by ``sigma``."""
        widths = np.array([[max(self.skew_s, 1e-9)], [1 - self.skew_s]])
        return Pieces(self.rng.normal(0, sigma, (2, self.n + 1)) / np.sqrt(widths), self.skew_s)

    def wander(self, size: float) -> Pieces:
        """A drift and three slow sines with periods from ten minutes to the night."""
        value = self.drift(self.rng.normal(0, 0.3 * size) / self.n)
        for _ in range(3):
            period, phase = self.rng.uniform((600, 0), (max(1200, self.n), 2 * np.pi))
            wave = np.sin(2 * np.pi * self._middles / period + phase)
            value = value + Pieces(self.rng.normal(0, 0.5 * size) * wave, self.skew_s)
        return value

    def out_of_lock(self, largest: float) -> Pieces:
        """About once in two hours the laser sits elsewhere for some minutes."""
        value = np.zeros_like(self._middles)
        for _ in range(self.rng.poisson(self.n / 7200)):
            begin = self.rng.uniform(0, self.n)
            end = begin + self.rng.exponential(150)
            jump = self.rng.uniform(-largest, largest)
            value[(self._middles >= begin) & (self._middles < end)] += jump
        return Pieces(value, self.skew_s)

    def counted(self, true_hz: Floats, nominal_hz: float, y: float, sigma: float) -> Floats:
        """What a counter on the reference displays for nominal + true, as offset from nominal."""
        shown = (true_hz - y * nominal_hz) / (1 + y) + self.rng.normal(0, sigma, len(true_hz))
        return np.asarray(np.round(shown * PER_HZ) / PER_HZ)

    def log(self, start_ns: npt.NDArray[np.int64], gate_s: float, losses: bool) -> Log:
        """An empty log; some rows of it cut short or missing, and one run of 20."""
        n = len(start_ns)
        short, lost = self.rng.random((2, n)) < (5e-4 if losses else 0.0)
        if losses and n > 100:
            begin = int(self.rng.integers(n // 4, 3 * n // 4))
            lost[begin : begin + 20] = True
        return Log(start_ns, gate_s, short, lost)


def make_night(
    seed: int,
    hours: float = 12.0,
    *,
    reference_error: float | None = None,
    locked: bool = False,
    comb_sigma: float = 0.0,
    comb_drift_hz_s: float = 0.0,
    skew_ms: int = SKEW_MS,
    losses: bool = True,
) -> Night:
    """Invent a night. ``reference_error``: y, instead of a draw with the stated uncertainty.

    ``locked``: every laser is phase-locked to the comb, so that all readings are in-loop and
    perfect whatever y is. ``comb_sigma``, ``comb_drift_hz_s``: fractional white noise of f_rep at
    1 s and its drift, which no lock removes. ``losses``: rows and numbers go missing.
    """
    make = Inventor(seed, round(hours * 3600), skew_ms / 1000)
    y = make.rng.normal(0, REFERENCE_U)  # drawn in any case: one seed, one set of draws
    y = y if reference_error is None else reference_error
    night = Night(y)
    seconds = parse_iso(START) + NS_PER_S * np.arange(make.n, dtype=np.int64)
    exposures = np.arange(0, make.n, WAVEMETER_EVERY_S)
    night.logs["a"] = make.log(seconds, 1.0, losses)
    night.logs["b"] = make.log(seconds + skew_ms * 1_000_000, 1.0, losses)
    night.logs["wavemeter"] = make.log(seconds[exposures] + 300_000_000, 0.1, losses)

    f_rep = make.constant(y * F_REP_HZ) + make.white(comb_sigma * F_REP_HZ)
    f_rep = f_rep + make.drift(comb_drift_hz_s)
    f_ceo = make.constant(y * F_CEO_HZ)
    mixed = f_rep.times(HARMONIC) + make.constant(-y * LO_HZ)
    _count(make, night, "f_rep_if", mixed, HARMONIC * F_REP_HZ - LO_HZ, "a", F_REP_SIGMA_HZ)
    _count(make, night, "f_ceo", f_ceo, F_CEO_HZ, "a", F_CEO_SIGMA_HZ)
    for laser in LASERS:
        tooth = f_rep.times(laser.n) + f_ceo
        if locked:
            tap = tooth + make.constant(laser.sign * y * laser.beat_hz)
        else:
            tap = make.wander(laser.wander_hz) + make.out_of_lock(laser.jump_hz)
            tap = tap + make.white(laser.white_hz)
        beat = (tap + tooth.times(-1)).times(laser.sign)
        name = f"beat_{laser.name}"
        _count(make, night, name, beat, laser.beat_hz, laser.counter, laser.sigma_hz)
        path = make.rng.normal(0, laser.path_u_hz)
        light = laser.times * tap.gates(laser.counter)
        night.truth[laser.transition] = light + y * laser.aom_hz + path
        drawn = make.rng.normal(0, laser.target_u_hz).sum()
        night.target_error_hz[laser.transition] = float(drawn)
        _expose(make, night, laser, tap.means[1, exposures])
    for log in night.logs.values():
        for offset in log.offsets.values():
            offset[make.rng.random(len(offset)) < (2e-3 if losses else 0.0)] = np.nan
    night.logs["b"].offsets["aom_729"] = np.where(np.arange(make.n) % AOM_EVERY_S, np.nan, 0.0)
    night.logs["b"].nominals["aom_729"] = 110e6
    return night


def _count(
    make: Inventor,
    night: Night,
    channel: str,
    frequency: Pieces,
    nominal_hz: float,
    counter: str,
    sigma: float,
) -> None:
    shown = make.counted(frequency.gates(counter), nominal_hz, night.y, sigma)
    night.logs[counter].offsets[channel] = shown
    night.logs[counter].nominals[channel] = nominal_hz


def _expose(make: Inventor, night: Night, laser: Laser, tap_hz: Floats) -> None:
    """The wavemeter has a scale of its own, off by one draw for the night, and shows 0.1 MHz."""
    noise = make.rng.normal(0, WAVEMETER_SIGMA_HZ, len(tap_hz))
    log, channel = night.logs["wavemeter"], f"wavemeter_{laser.name}"
    nominal = laser.n * F_REP_HZ + F_CEO_HZ + laser.sign * laser.beat_hz
    shown = nominal + tap_hz + make.rng.normal(0, WAVEMETER_U_HZ) + noise
    log.nominals[channel] = nominal
    log.offsets[channel] = np.round(shown / 1e5) * 1e5 - nominal


def write_night(night: Night, folder: Path) -> list[Path]:
    """Write counter_a.log, counter_b.log, wavemeter.log and truth.csv; return their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    a, b, wavemeter = night.logs["a"], night.logs["b"], night.logs["wavemeter"]
    cells_a = {"MJD": [_mjd(ns) for ns in a.start_ns.tolist()], **_cells(a, "nan", 4)}
    cells_b = {"time": [iso(ns, 3) for ns in b.start_ns.tolist()], **_cells(b, "", 4)}
    seconds = (wavemeter.start_ns - parse_iso(START)) / NS_PER_S
    cells_w = {"s": [f"{s:.1f}" for s in seconds], **_cells(wavemeter, "---", -5, 12)}
    order_a = ["MJD", "beat_794", "f_ceo", "beat_1458", "f_rep_if"]
    order_b = ["beat_846", "time", "beat_866", "aom_729", "beat_854"]
    return [
        _write(folder / "counter_a.log", "# " + "  ".join(order_a), a, cells_a, order_a, "  "),
        _write(folder / "counter_b.log", ",".join(order_b), b, cells_b, order_b, ","),
        _write(folder / "wavemeter.log", ";".join(cells_w), wavemeter, cells_w, list(cells_w), ";"),
        _write_truth(night, folder / "truth.csv"),
    ]


def _cells(log: Log, none: str, places: int, unit: int = 0) -> dict[str, list[str]]:
    """Decimal texts of nominal + offset, which are whole multiples of 10**-places Hz."""
    found = {}
    for channel, offsets in log.offsets.items():
        steps = np.round(np.nan_to_num(offsets) * 10.0**places).astype(np.int64)
        steps += round(log.nominals[channel] * 10.0**places)
        width = places + unit
        texts = [f"{step // 10**width}.{step % 10**width:0{width}d}" for step in steps.tolist()]
        missing = np.isnan(offsets).tolist()
        found[channel] = [none if m else t for t, m in zip(texts, missing, strict=True)]
    return found


def _mjd(time_ns: int) -> str:
    """Modified Julian Date with 11 places: 0.9 microseconds."""
    days, ns = divmod(time_ns, NS_PER_DAY)
    return f"{days + MJD_OF_POSIX_ZERO}.{round(ns * 10**11 / NS_PER_DAY):011d}"


def _write(
    path: Path, header: str, log: Log, cells: dict[str, list[str]], order: list[str], between: str
) -> Path:
    lines = [between.join(row) for row in zip(*(cells[name] for name in order), strict=True)]
    for row in np.flatnonzero(log.short).tolist():
        lines[row] = lines[row][: len(lines[row]) * 2 // 3]
    kept = [lines[row] for row in np.flatnonzero(~log.lost).tolist()]
    said = "# INVENTED by examples/comb_night.py: nothing here was measured"
    path.write_text("\n".join([said, header, *kept, ""]), encoding="ascii")
    return path


def _write_truth(night: Night, path: Path) -> Path:
    said = [
        "# INVENTED: the truth of this night, by second",
        f"# reference: y = {night.y!r}",
        f"# true targets minus the lab file's in Hz: {night.target_error_hz!r}",
        "# light at the atoms minus the lab file's target in Hz, over gates of the laser's counter",
        "second," + ",".join(night.truth),
    ]
    columns = [values.tolist() for values in night.truth.values()]
    rows = (
        f"{second}," + ",".join(f"{value:.3f}" for value in values)
        for second, values in enumerate(zip(*columns, strict=True))
    )
    path.write_text("\n".join([*said, *rows, ""]), encoding="ascii")
    return path


def main() -> None:
    """Write the logs of one night."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--out", type=Path, default=Path("night"), help="folder for the logs")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--hours", type=float, default=12.0)
    parser.add_argument("--reference-error", type=float, help="fractional error of the reference")
    parser.add_argument("--locked", action="store_true", help="all lasers locked to the comb")
    asked = parser.parse_args()
    error, locked = asked.reference_error, asked.locked
    night = make_night(asked.seed, asked.hours, reference_error=error, locked=locked)
    print(*write_night(night, asked.out), sep="\n")


if __name__ == "__main__":
    main()
