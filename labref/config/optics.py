"""Tables of the lab file that say how a frequency follows from channels: combs, lasers, paths.

Schema version 1. They become equations in `labref.config.equations`.
"""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import field

from labref.config.fields import (
    CavityName,
    ChannelName,
    CombName,
    LaserName,
    NonZeroInteger,
    NotNegative,
    Number,
    Positive,
    PositiveInteger,
    Ratio,
    ReferenceName,
    Table,
    Time,
    needed,
)

Sign = Literal["+", "-"]


class Evidence(Table, frozen=True, kw_only=True):
    """How a mode number or sign was found, and when (rule M19).

    ``f_rep_hz`` is the repetition rate at that time, so that a tooth that has moved since is
    noticed. ``margin_hz``: how far the light may move before another candidate is nearer; half
    the distance to the nearest, with all signs open, unless stated.
    """

    found: Annotated[Time, needed("when it was found, such as '2026-11-25T08:00:00Z'")]
    by: Annotated[str, needed("the person or procedure that found it")]
    method: Annotated[str, needed("how it was found")]
    k: Positive = 5
    f_rep_hz: Positive | None = None
    margin_hz: Positive | None = None


class Counted(Table, frozen=True, kw_only=True):
    """A quantity that is counted behind a mixer, divider or at a harmonic (rule M9).

    quantity = (lo_order * lo + sign * ratio * counted) / harmonic; ``ratio`` is ``"P/Q"`` or a
    whole number. The local oscillator is a channel ``lo`` (measured, set or assumed), or
    ``lo_hz`` with its ``lo_reference``: then it becomes an assumed channel.
    """

    channel: Annotated[ChannelName, needed("the channel that the counter feeds")]
    harmonic: PositiveInteger = 1
    lo: ChannelName | None = None
    lo_hz: Positive | None = None
    lo_reference: ReferenceName | None = None
    lo_order: NonZeroInteger = 1
    sign: Sign = "+"
    ratio: Ratio = 1
    evidence: Evidence | None = None


class CombTable(Table, frozen=True, kw_only=True):
    """``[combs.NAME]``: how repetition rate and carrier-envelope offset follow from channels.

    Either ``f_rep`` is counted, or the comb follows an optical reference: ``locked_to`` names
    a laser with a known frequency, ``n_ref``, ``beat_ref`` and ``beat_ref_sign`` the tooth;
    a counted ``f_rep`` is then a channel of role ``eliminated``. ``f_ceo_scheme`` says what the
    interferometer detects (f-3f gives 2*f_ceo); an AOM inside it enters by ``f_ceo_aom`` (a
    channel) and ``f_ceo_aom_order``. Without ``f_ceo`` the comb is offset-free.
    """

    f_ceo: ChannelName | Counted | None = None
    f_ceo_sign: Sign = "+"
    f_ceo_scheme: Literal["f-2f", "2f-3f", "f-3f"] = "f-2f"
    f_ceo_aom: ChannelName | None = None
    f_ceo_aom_order: NonZeroInteger | None = None
    f_rep: ChannelName | Counted | None = None
    locked_to: LaserName | None = None
    n_ref: PositiveInteger | None = None
    beat_ref: ChannelName | Counted | None = None
    beat_ref_sign: Sign = "+"
    ceo_factor_ref: Literal[0, 1, 2] = 1
    evidence: Evidence | None = None


class CavityTable(Table, frozen=True, kw_only=True):
    """``[cavities.NAME]``: a comb of modes: nu = mode * fsr + offset_hz.

    The free spectral range is a channel ``fsr``, or ``fsr_hz`` with its ``fsr_u_hz``.
    ``offset_hz`` gathers mirror phase and dispersion, with ``offset_u_hz``; ``rate_hz_per_s``
    is the largest credible drift of a mode.
    """

    fsr: ChannelName | None = None
    fsr_hz: Positive | None = None
    fsr_u_hz: NotNegative = 0
    offset_hz: Number = 0
    offset_u_hz: NotNegative = 0
    rate_hz_per_s: NotNegative = 0


class PathTable(Table, frozen=True, kw_only=True):
    """One way to a laser's frequency at its tap; exactly one of these five:

    * ``comb``, ``n``, ``beat``, ``sign``: nu = n*f_rep + ceo_factor*f_ceo + sign*beat;
    * ``channel``: measured directly (wavemeter, or a radio frequency counted as it is);
    * ``ratio = [p, q, laser]``, with an optional ``beat``: nu = p/q * nu_laser + sign*beat;
    * ``cavity``, ``mode``, with an optional ``sideband`` (channel) and ``sideband_order``;
    * ``frequency_hz``: asserted (a molecular line), with ``u_hz`` or a ``reference``.
    """

    comb: CombName | None = None
    n: PositiveInteger | None = None
    beat: ChannelName | Counted | None = None
    sign: Sign = "+"
    ceo_factor: Literal[0, 1, 2] = 1
    channel: ChannelName | Counted | None = None
    ratio: tuple[int, int, LaserName] | None = None
    cavity: CavityName | None = None
    mode: PositiveInteger | None = None
    sideband: ChannelName | Counted | None = None
    sideband_order: NonZeroInteger = 1
    frequency_hz: Positive | None = None
    u_hz: NotNegative | None = None
    reference: ReferenceName | None = None
    evidence: Evidence | None = None


class BeatLevelTable(Table, frozen=True, kw_only=True):
    """``beat_level`` of a laser: how far its beat must stand above the noise when it is brought up.

    ``least_db`` in ``bandwidth_hz``. ``channel``: where that is read (in dB, for the same
    bandwidth); without it a person reads a spectrum analyser. 30 dB in 100 kHz lets a counter
    count without slips (common practice, no source).
    """

    least_db: Annotated[Number, needed("how far it must stand above the noise, in dB")]
    bandwidth_hz: Annotated[Positive, needed("the bandwidth of that noise in Hz, such as 100e3")]
    channel: ChannelName | None = None


class LaserTable(PathTable, frozen=True, kw_only=True):
    """``[lasers.NAME]``: the light at its tap, by its first path and perhaps by others.

    ``paths`` are further, independent ways to the same frequency (a second comb); a witness
    compares one of them by ``via``. ``beat_level`` is asked by `labref commission` alone.
    """

    paths: dict[str, PathTable] = field(default_factory=dict)
    beat_level: BeatLevelTable | None = None


class Step(Table, frozen=True, kw_only=True):
    """One step from the tap to the atoms; exactly one of the first seven keys.

    ``aom`` and ``eom`` name a channel; ``aom_hz`` and ``eom_hz`` give Hz with ``reference`` or
    ``u_hz`` and become assumed channels. ``sum`` and ``difference`` name another laser. A step
    that lies between laser and tap is written with
    ``before_tap = true`` and enters reversed.
    """

    aom: ChannelName | None = None
    aom_hz: Positive | None = None
    eom: ChannelName | None = None
    eom_hz: Positive | None = None
    times: PositiveInteger | None = None
    sum: LaserName | None = None
    difference: LaserName | None = None
    order: NonZeroInteger = 1
    passes: Literal[1, 2] = 1
    reference: ReferenceName | None = None
    u_hz: NotNegative | None = None
    before_tap: bool = False
