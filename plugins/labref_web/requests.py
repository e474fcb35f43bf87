"""What the service takes: query strings and bodies as structs that forbid what they do not know."""

from __future__ import annotations

from typing import Annotated

import msgspec
from msgspec import Meta

LONGEST_WAIT_S = 60.0

# 1970 to 2200, in nanoseconds: well inside int64.
# A time written with a point is refused: as a float it would be good to 256 ns only.
TimeNs = Annotated[
    int,
    Meta(
        ge=0,
        le=7_258_118_400_000_000_000,
        description="ns UTC since 1970, written without a decimal point",
    ),
]
Name = Annotated[str, Meta(min_length=1, max_length=100)]
Token = Annotated[str, Meta(min_length=1, max_length=200)]
Finite = Annotated[float, Meta(ge=-1e18, le=1e18)]
Uncertainty = Annotated[float, Meta(ge=0, le=1e18)]


class Asking(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Base of everything that comes in."""


class Nothing(Asking, frozen=True, kw_only=True):
    """A query without parameters."""


class Window(Asking, frozen=True, kw_only=True):
    """A window, ns UTC; it ends after it begins."""

    start_ns: TimeNs
    stop_ns: TimeNs


class HistoryQuery(Asking, frozen=True, kw_only=True):
    """A window in at most ``points`` buckets."""

    start_ns: TimeNs
    stop_ns: TimeNs
    points: Annotated[int, Meta(ge=1, le=4000)] = 1000


class StripQuery(Asking, frozen=True, kw_only=True):
    """A window in ``cells`` equal cells."""

    start_ns: TimeNs
    stop_ns: TimeNs
    cells: Annotated[int, Meta(ge=1, le=2000)] = 96


class WaitQuery(Asking, frozen=True, kw_only=True):
    """How long to wait at most."""

    timeout_s: Annotated[float, Meta(ge=0, le=LONGEST_WAIT_S)] = 30.0


class ShotsQuery(Asking, frozen=True, kw_only=True):
    """How many at most."""

    limit: Annotated[int, Meta(ge=1, le=1000)] = 100


class NotesQuery(Asking, frozen=True, kw_only=True):
    """How many at most."""

    limit: Annotated[int, Meta(ge=1, le=200)] = 12


class By(Asking, frozen=True, kw_only=True):
    """Who it is."""

    by: Name


class Reading(Asking, frozen=True, kw_only=True):
    """A reading of the experiment's own: offset from the channel's exact nominal."""

    channel: Name
    start_ns: TimeNs
    stop_ns: TimeNs
    offset_hz: Finite
    u_hz: Uncertainty | None = None


class AskToArm(Asking, frozen=True, kw_only=True):
    """Who wants to arm what."""

    actuator: Name
    by: Name


class Arm(Asking, frozen=True, kw_only=True):
    """The token that asking gave."""

    token: Token


class Disarm(Asking, frozen=True, kw_only=True):
    """What to disarm (null: all), and who says so."""

    by: Name
    actuator: Name | None = None


class LaserHands(Asking, frozen=True, kw_only=True):
    """Whose hands are off which laser (or a transition's, or "all")."""

    name: Name
    by: Name


class LaserHandsOn(Asking, frozen=True, kw_only=True):
    """Whose hands are on which laser (or a transition's, or "all"), for how long."""

    name: Name
    by: Name
    seconds: Annotated[float, Meta(gt=0, le=30 * 86_400)]


class HandsOn(Asking, frozen=True, kw_only=True):
    """Whose hands, for how long (at most 30 days)."""

    by: Name
    seconds: Annotated[float, Meta(gt=0, le=30 * 86_400)]
