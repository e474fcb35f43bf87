"""Tables of the lab file that opt outputs in: [outputs.NAME], [interlocks.NAME], [actuation].

An output that is not named here can never move. Nothing here opens a shutter, raises emission,
clears an interlock or writes an RF level: those words are refused (S2).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal

from labref.config.fields import (
    ChannelName,
    Duration,
    InstrumentName,
    NotNegative,
    Number,
    Positive,
    Table,
    needed,
)
from labref.hookspecs import hookimpl

Rising = Annotated[tuple[Number, Number], needed("[lower, upper]")]
Drives = Literal[
    "piezo", "lock offset", "lock switch", "synthesizer", "aom frequency",
    "power", "current", "temperature", "pointing",
]  # fmt: skip
CLASS_B = ("power", "current", "temperature", "pointing")
LONGEST_ARMING_H = 12

Problems = Iterator[tuple[tuple[str, ...], str]]


class OutputTable(Table, frozen=True, kw_only=True):
    """``[outputs.NAME]``: one output that may be moved, within what, and what is harmless.

    ``output`` is the instrument's setter ("voltage.2"), ``channel`` the channel of the same
    instrument that reads it back, so that every move is in the trace. ``limits`` is what may ever
    be asked for; ``harmless`` the range in which it may be left for ever, because the process may
    die at any moment: nothing is moved out of it. ``largest_step`` and ``slew_per_s`` bound
    each write and their pace; ``safe`` is what an abort does: "hold", "ramp" (to ``ramp_to``) or
    "off" (by the setter ``off``, which is only ever given 0). Class b outputs need a ``reason``.
    """

    instrument: Annotated[InstrumentName, needed("the instrument that it belongs to")]
    output: Annotated[str, needed("the instrument's setter, such as 'voltage.2'")]
    channel: Annotated[ChannelName, needed("the channel that reads it back")]
    drives: Annotated[Drives, needed("what it acts on, such as 'piezo'")]
    limits: Annotated[tuple[Number, Number], needed("[lowest, highest] that may be asked for")]
    harmless: Annotated[tuple[Number, Number], needed("[lower, upper] in which it may be left")]
    largest_step: Annotated[Positive, needed("the largest single write, in the output's unit")]
    slew_per_s: Annotated[Positive, needed("how fast it may move, per second")]
    safe: Annotated[Literal["hold", "off", "ramp"], needed("'hold', 'off' or 'ramp'")]
    ramp_to: Number | None = None
    off: str | None = None
    reason: str = ""
    agree: Positive | None = None
    enabled: bool = False

    def check_lab(self, lab: Any) -> Problems:
        """Say what does not fit the rest of the file: (path, what)."""
        low, high = self.limits
        inner = self.harmless
        if not low < high:
            yield ("limits",), f"[{low}, {high}]: the lower limit comes first and is smaller"
        if not (low <= inner[0] < inner[1] <= high):
            yield ("harmless",), "the harmless range lies within the limits, lower end first"
        if (self.safe == "ramp") != (self.ramp_to is not None):
            yield ("ramp_to",), "safe = 'ramp' and the value to ramp to go together"
        if self.ramp_to is not None and not inner[0] <= self.ramp_to <= inner[1]:
            yield ("ramp_to",), f"{self.ramp_to} is outside the harmless range"
        if (self.safe == "off") != (self.off is not None):
            yield ("off",), "safe = 'off' and the setter that switches it off go together"
        if self.drives in CLASS_B and not self.reason.strip():
            yield ("reason",), f"{self.drives} is class b: say why it may be moved"
        if self.largest_step > inner[1] - inner[0]:
            yield ("largest_step",), "the largest step is wider than the harmless range"
        yield from self._read_back(lab)

    def _read_back(self, lab: Any) -> Problems:
        feed = lab.feeds.get(self.channel)
        if feed is None or feed[0] != self.instrument or str(feed[1]) != self.output:
            yield (
                ("channel",),
                f"{self.channel!r} is not fed by {self.instrument!r}, input {self.output!r}: an "
                "output is read back by its own channel",
            )
        if self.output.split(".")[0] in ("level", "power", "output", "shutter", "interlock"):
            yield (
                ("output",),
                f"{self.output!r}: levels, switches, shutters and interlocks are never written",
            )


class LevelTable(Table, frozen=True, kw_only=True):
    """A channel that must lie in ``limits`` (offsets from its nominal) and be no older."""

    channel: Annotated[ChannelName, needed("the channel that says so")]
    limits: Annotated[tuple[Number, Number], needed("[lower, upper] offsets from its nominal")]
    max_age_s: Duration = 2

    def check_lab(self, lab: Any) -> Problems:
        """Say what does not fit."""
        if not self.limits[0] < self.limits[1]:
            yield ("limits",), "the lower limit comes first and is smaller"
        if not lab.channels[self.channel].is_fed:
            yield ("channel",), f"nothing reads {self.channel!r}"


class InterlockTable(LevelTable, frozen=True, kw_only=True):
    """``[interlocks.NAME]``: closed while the channel lies in ``limits``; stale is open (S1)."""

    def check_lab(self, lab: Any) -> Problems:
        """No interlock may be believed for more than 2 s."""
        yield from super().check_lab(lab)
        if self.max_age_s > 2:
            yield ("max_age_s",), f"{self.max_age_s} s: an interlock is believed for 2 s at most"


class ActuationTable(Table, frozen=True, kw_only=True):
    """``[actuation]``: arming expires after ``expires_h``; ``record`` is the write-ahead record.

    The record lies beside the lab file by default. ``remote_arming`` lets a service arm (off).
    """

    expires_h: Positive = LONGEST_ARMING_H
    remote_arming: bool = False
    record: str | None = None
    lab_file_every_s: NotNegative = 1

    def check_lab(self, lab: Any) -> Problems:  # noqa: ARG002
        """Arming never lasts longer than 12 h (S5)."""
        if self.expires_h > LONGEST_ARMING_H:
            yield ("expires_h",), f"arming lasts {LONGEST_ARMING_H} h at most"


@hookimpl
def register_tables() -> Mapping[str, Any]:
    """The tables of this package."""
    return {
        "outputs": dict[str, OutputTable],
        "interlocks": dict[str, InterlockTable],
        "actuation": ActuationTable,
    }
