"""A channel: a named counted, set or displayed quantity with its exact nominal value."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

# A series with more gates a second than this is kept as means of blocks, 1 ms or a little longer.
MOST_ROWS_PER_S = 1000
_SHORTEST_ROW_NS = 1_000_000_000 // MOST_ROWS_PER_S


class Loop(StrEnum):
    """Where the channel stands with respect to the loop that controls it (rule M1)."""

    FREE = "free"  # no loop acts on the quantity
    IN = "in"  # it is the loop's own error or set-point: it proves only that the loop holds
    OUT = "out"  # a loop acts on the quantity, but this channel is not that loop's sensor


class Role(StrEnum):
    """How the channel enters an equation (rule M10)."""

    MEASURED = "measured"  # its readings enter
    SET = "set"  # held by a lock or declared: the nominal enters, readings only check it
    ELIMINATED = "eliminated"  # drops out by substitution; readings are stored only


class Weighting(StrEnum):
    """How the counter weighs phase or time stamps within a gate."""

    PI = "pi"
    LAMBDA = "lambda"
    OMEGA = "omega"


@dataclass(frozen=True, slots=True)
class Channel:
    """A named quantity as the instrument displays it.

    ``nominal`` is exact; readings are float64 offsets from it. ``sigma`` is the declared
    one-sigma scatter of one gate (None: measured), ``counter_sigma`` the counter's own part of it
    (0: not known apart), ``u`` the declared constant standard
    uncertainty of the display itself (a wavemeter's accuracy). ``rate_per_s`` is the largest
    credible drift. A channel with ``hold_ns`` keeps its last value for that long
    (a set-point that is read back now and then); without it every gate needs a reading.
    ``keeps_all``: the trace keeps every gate, however many there are.
    """

    name: str
    nominal: Fraction
    unit: str = "Hz"
    kind: str = "beat"
    loop: Loop = Loop.FREE
    role: Role = Role.MEASURED
    group: str = ""
    reference: str | None = None
    gate_ns: int = 1_000_000_000
    dead_time_ns: int = 0
    weighting: Weighting = Weighting.PI
    sigma: float | None = None
    counter_sigma: float = 0.0
    u: float = 0.0
    rate_per_s: float = 0.0
    hold_ns: int | None = None
    assumed: bool = False
    keeps_all: bool = False

    @property
    def mean_of(self) -> int:
        """Of how many gates the trace keeps the mean: 1 up to 1000 gates a second."""
        period_ns = self.gate_ns + self.dead_time_ns
        return 1 if self.keeps_all else max(1, -(-_SHORTEST_ROW_NS // period_ns))

    @property
    def row_ns(self) -> int:
        """Span of a row of the trace: of that many gates and the dead times between them."""
        return self.mean_of * (self.gate_ns + self.dead_time_ns) - self.dead_time_ns

    @property
    def is_fed(self) -> bool:
        """Whether readings are expected: an assumed value has none, and is shown as assumed."""
        return not self.assumed

    @property
    def is_asserted(self) -> bool:
        """Whether its value says nothing about the light: in-loop, set or assumed (rule M1)."""
        return self.assumed or self.role is Role.SET or self.loop is Loop.IN
