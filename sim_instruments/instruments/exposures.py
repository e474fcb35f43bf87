"""What a wavemeter with a channel switch sees: exposures one after the other.

Exposures follow each other on a fixed beat. With switching on, the switch stays a few
exposures on each channel in turn; the first ones after a switch still contain light of the
previous channel and are wrong by tens of MHz. All channels share one calibration, which
drifts. (Behaviour: common practice, no source.)
"""

from dataclasses import dataclass

import numpy as np

from sim_instruments.instruments.bench import Bench
from sim_instruments.optics.laser import Laser
from sim_instruments.optics.quantity import decimal_hz, mean_offset

GOOD, LOW, NONE = "OK", "LOW", "NONE"


@dataclass(frozen=True)
class Exposure:
    """One exposure: its number, channel, how many since the switch, frequency text, level."""

    number: int
    channel: int
    since_switch: int
    start_ns: int
    stop_ns: int
    hertz: str
    level_percent: int

    @property
    def state(self) -> str:
        """OK, LOW (too dark to trust) or NONE (no light)."""
        if self.level_percent < 3:
            return NONE
        return LOW if self.level_percent < 15 else GOOD


class Exposures:
    """The exposures of one wavemeter, made when somebody looks."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._lasers: list[Laser] = [bench.world.lasers[str(n)] for n in bench.row["lasers"]]
        self.channels = len(self._lasers)
        self.exposure_ns = round(bench.number("exposure_ms", 20) * 1e6)
        self.settling = int(bench.number("settling_exposures", 2))
        self.dwell = self.settling + int(bench.number("good_exposures", 3))
        self._noise_hz = bench.number("noise_hz", 1e6)
        self._settling_hz = bench.number("settling_hz", 4e7)
        self._calibration = bench.world.calibrations[bench.name]
        self._origin_ns = bench.world.grid.start_ns
        self._fixed: int | None = None
        self._switched_at = 0
        self._previous = 1
        self._known: dict[int, Exposure] = {}

    @property
    def switching(self) -> bool:
        """True while the switch goes round."""
        return self._fixed is None

    def channel_at(self, number: int) -> tuple[int, int]:
        """Channel of an exposure and how many exposures since the switch came to it."""
        since = number - self._switched_at
        if self._fixed is not None:
            return self._fixed, since
        return (since // self.dwell) % self.channels + 1, since % self.dwell

    def last_number(self, now_ns: int) -> int:
        """Number of the last exposure that has ended; -1 before the first."""
        return (now_ns - self._origin_ns) // self.exposure_ns - 1

    def hold(self, channel: int, now_ns: int) -> None:
        """Stop the switch on a channel."""
        current = self.last_number(now_ns) + 1
        present, _ = self.channel_at(current)
        if self._fixed != channel:
            self._previous = present
            self._switched_at = current + 1
        self._fixed = channel

    def go_round(self, now_ns: int) -> None:
        """Let the switch go round, from channel 1."""
        if self._fixed is not None:
            self._previous = self._fixed
            self._switched_at = self.last_number(now_ns) + 2
            self._fixed = None

    def latest(self, channel: int, now_ns: int) -> Exposure | None:
        """The last exposure of a channel, None when it had none since the switch was set."""
        number = self.last_number(now_ns)
        earliest = max(self._switched_at, number - self.dwell * self.channels)
        while number >= earliest:
            if self.channel_at(number)[0] == channel:
                return self._expose(number)
            number -= 1
        return self._known.get(channel)

    def next_of(self, channel: int, now_ns: int) -> int | None:
        """Instant at which the next exposure of a channel ends, None if none will come."""
        number = self.last_number(now_ns) + 1
        for candidate in range(number, number + self.dwell * self.channels + 2):
            if candidate >= self._switched_at and self.channel_at(candidate)[0] == channel:
                return self._origin_ns + (candidate + 1) * self.exposure_ns
        return None

    def _expose(self, number: int) -> Exposure:
        channel, since = self.channel_at(number)
        known = self._known.get(channel)
        if known is None or known.number != number:
            self._known[channel] = known = self._make(number, channel, since)
        return known

    def _make(self, number: int, channel: int, since: int) -> Exposure:
        start = self._origin_ns + number * self.exposure_ns
        stop = start + self.exposure_ns
        source = self._source(channel, stop)
        laser = self._lasers[source - 1]
        grid = self._bench.world.grid
        offset = mean_offset(laser, grid, start, stop) + self._error(number, start, since)
        first, last = grid.span(start, stop)
        level = 60.0 * 10.0 ** (float(laser.power_db(first, last).min()) / 10.0)
        hertz = decimal_hz(laser.nominal, offset, 0)
        stuck = self._bench.fault(stop, "stuck", "too_good")
        if stuck is not None and channel in self._known:
            hertz = self._known[channel].hertz
        return Exposure(number, channel, since, start, stop, hertz, round(level))

    def _source(self, channel: int, now_ns: int) -> int:
        swapped = self._bench.fault(now_ns, "swapped_channels")
        if swapped is None:
            return channel
        a, b = int(swapped.options.get("a", 1)), int(swapped.options.get("b", 2))
        return {a: b, b: a}.get(channel, channel)

    def _error(self, number: int, start_ns: int, since: int) -> float:
        rng = np.random.default_rng([self._bench.world.seed & 0xFFFFFFFF, number, 77])
        step = self._bench.world.grid.index(start_ns)
        error = float(self._calibration.offsets(step, step + 1)[0])
        error += float(rng.normal(0.0, self._noise_hz))
        if since < self.settling:
            error += float(rng.normal(0.0, self._settling_hz)) * 0.5**since
        jump = self._bench.fault(start_ns, "order_jump")
        error += jump.amount if jump is not None else 0.0
        leak = self._bench.fault(start_ns, "leakage")
        if leak is not None:
            error += leak.amount * self._settling_hz * float(rng.uniform(-1.0, 1.0))
        return error
