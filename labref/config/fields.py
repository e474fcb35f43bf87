"""Types of single fields of the lab file, with the rule that each value must keep.

A rule, or the kind of thing that a name must be declared as, travels with the type
(``msgspec.Meta(extra=...)``), so that a table says all about itself and the validator knows
no table by name.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated

import msgspec


class Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Base of every table: unknown keys are errors."""


def _rule(name: str) -> msgspec.Meta:
    return msgspec.Meta(extra={"rule": name})


def needed(what: str) -> msgspec.Meta:
    """Describe a required field: ``what`` completes the message 'is missing: ...'."""
    return msgspec.Meta(description=what)


def _name(table: str) -> msgspec.Meta:
    return msgspec.Meta(extra={"name in": table})


ReferenceName = Annotated[str, _name("references")]
InstrumentName = Annotated[str, _name("instruments")]
ChannelName = Annotated[str, _name("channels")]
CombName = Annotated[str, _name("combs")]
CavityName = Annotated[str, _name("cavities")]
LaserName = Annotated[str, _name("lasers")]
WitnessName = Annotated[str, _name("witnesses")]
TransitionName = Annotated[str, _name("transitions")]

Number = int | Decimal
Positive = Annotated[Number, _rule("positive")]
NotNegative = Annotated[Number, _rule("not negative")]
PositiveInteger = Annotated[int, _rule("positive")]
NonZeroInteger = Annotated[int, _rule("not zero")]
Duration = Annotated[Number, _rule("duration")]
Delay = Annotated[Number, _rule("delay")]
Limits = Positive | Annotated[tuple[Number, Number], _rule("rising")]
Time = Annotated[str, _rule("time")]
Ratio = PositiveInteger | Annotated[str, _rule("ratio")]
ClockTime = Annotated[str, _rule("clock time")]
Zone = Annotated[str, _rule("zone")]
NightCount = Annotated[int, _rule("night count")]
