"""The table [cycle_slip.NAME] of the lab file."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any

from labref.config.fields import ChannelName, Positive, PositiveInteger, Table, needed

# Filters closer than this have the same slips: nothing is proven.
LEAST_BANDWIDTH_RATIO = 1.5


class CycleSlipTable(Table, frozen=True, kw_only=True):
    """``[cycle_slip.NAME]``: two channels that count one beat in the same gates.

    ``divider`` and ``second_divider`` stand before the counters: a channel's readings are those
    of its counter, its nominal that of the divided beat.
    """

    channel: Annotated[ChannelName, needed("the counted beat")]
    second: Annotated[ChannelName, needed("the same beat, counted behind another filter")]
    bandwidth_hz: Annotated[Positive, needed("bandwidth of the filter before the counter")]
    second_bandwidth_hz: Annotated[Positive, needed("bandwidth of the other filter")]
    divider: PositiveInteger = 1
    second_divider: PositiveInteger = 1

    def check_lab(self, lab: Any) -> Iterator[tuple[tuple[str, ...], str]]:
        """Say what does not fit the rest of the file."""
        one, two = lab.channels[self.channel], lab.channels[self.second]
        if self.channel == self.second:
            yield ("second",), "a counter compared with itself proves nothing"
            return
        for key, channel in (("channel", one), ("second", two)):
            if not channel.is_fed:
                yield (key,), f"nothing reads {channel.name!r}"
        if one.gate_ns != two.gate_ns or one.weighting is not two.weighting:
            yield ("second",), f"{two.name!r} has another gate or weighting than {one.name!r}"
        if one.nominal * self.divider != two.nominal * self.second_divider:
            yield (
                ("second",),
                "nominal values times dividers differ: both count one beat (a mixer between them "
                "is not supported)",
            )
        ratio = float(max(self.bandwidth_hz, self.second_bandwidth_hz)) / float(
            min(self.bandwidth_hz, self.second_bandwidth_hz)
        )
        if ratio < LEAST_BANDWIDTH_RATIO:
            yield (
                ("second_bandwidth_hz",),
                f"filters of nearly one bandwidth slip together: they must differ by "
                f"{LEAST_BANDWIDTH_RATIO} (M23)",
            )
        if not any(self.channel in t.equation.channels for t in lab.transitions.values()):
            yield ("channel",), f"{self.channel!r} enters no transition"
