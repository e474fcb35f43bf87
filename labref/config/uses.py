"""What each transition is used for: ``[transitions.X.uses.NAME]`` and ``[planning]``.

Both are optional and only `labref plan` reads them: a verdict rests on ``tolerance_hz`` alone.
One flat table serves all kinds of use; which keys a kind needs and knows stands in ``KEYS``.
"""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from decimal import Decimal
from typing import TYPE_CHECKING, Annotated, Literal

import msgspec
from msgspec import field

from labref.config.fields import (
    Duration,
    NotNegative,
    Number,
    Positive,
    PositiveInteger,
    Table,
    needed,
)
from labref.config.lines import LineChoice
from labref.frequency.transitions import Catalogue, Transition
from labref.model.errors import InputError

if TYPE_CHECKING:
    from labref.config.draft import Draft

_TENTH = Decimal("0.1")


class UseTable(Table, frozen=True, kw_only=True):
    """One use of a transition, with the numbers of the experiment that decide what it needs.

    ``linewidth_hz`` is Gamma/2pi where the catalogue's is not meant. ``loss``, ``excess``,
    ``kept``, ``error``, ``contrast``, ``sigma_y``, ``allowed_hz`` say how good is good enough.
    ``pair`` names the other transition of a pair, ``same_laser`` that both are one laser's light
    (their difference is then a radio frequency). ``shot_s``: length of the sequencer's shot;
    ``recalibrate_s``: how long the light must stay right without anybody looking. Times in s,
    frequencies in Hz, fields in tesla, lengths in metres.
    """

    kind: Annotated[
        Literal[
            "photo-ionisation",
            "optical-pumping",
            "two-photon",
            "doppler-cooling",
            "repumping",
            "eit-cooling",
            "narrow-line-cooling",
            "sideband-cooling",
            "coherent-pulse",
            "shelving",
            "raman",
            "ramsey",
            "clock",
            "lattice",
        ],
        needed("what the light does, such as 'doppler-cooling'"),
    ]
    shot_s: Duration = _TENTH
    recalibrate_s: Duration | None = None
    source: str = ""
    linewidth_hz: Positive | None = None
    saturation: NotNegative = 1
    loss: Positive = _TENTH
    excess: Positive = _TENTH
    kept: Positive = Decimal("0.9")
    error: Positive = Decimal("0.01")
    contrast: Positive = Decimal("0.9")
    doppler_fwhm_hz: NotNegative = 0
    isotope_shift_hz: Number | None = None
    isotope_ratio: Positive | None = None
    pair: str | None = None
    pair_rabi_hz: Positive | None = None
    same_laser: bool = False
    branching: Positive | None = None
    rabi_hz: Positive | None = None
    detuning_hz: Number | None = None
    trap_hz: Positive | None = None
    eta: Positive | None = None
    g: Number | None = None
    gradient_t_per_m: Positive | None = None
    position_m: Positive | None = None
    dark_s: Duration | None = None
    probe_s: Duration | None = None
    cycle_s: Duration | None = None
    atoms: PositiveInteger = 1
    sigma_y: Positive | None = None
    gain: Positive = Decimal("0.5")
    slope: Number | None = None
    allowed_hz: Positive | None = None


_ALWAYS = frozenset({"kind", "shot_s", "recalibrate_s", "source"})
_RATE = "linewidth_hz saturation loss doppler_fwhm_hz"
# kind: (keys that it needs, further keys that it knows)
KEYS = {
    kind: (frozenset(must.split()), frozenset(may.split()))
    for kind, must, may in (
        ("photo-ionisation", "", f"{_RATE} isotope_shift_hz isotope_ratio"),
        ("optical-pumping", "", _RATE),
        ("two-photon", "", f"{_RATE} pair"),
        ("doppler-cooling", "", "linewidth_hz saturation excess"),
        ("repumping", "pair rabi_hz pair_rabi_hz branching", "linewidth_hz kept"),
        ("eit-cooling", "pair detuning_hz trap_hz", "linewidth_hz error"),
        ("narrow-line-cooling", "g gradient_t_per_m position_m", "linewidth_hz saturation"),
        ("sideband-cooling", "rabi_hz trap_hz eta", "error"),
        ("coherent-pulse", "rabi_hz", "error"),
        ("shelving", "rabi_hz", "error"),
        ("raman", "rabi_hz detuning_hz", "pair same_laser error"),
        ("ramsey", "dark_s", "contrast"),
        ("clock", "probe_s cycle_s", "atoms sigma_y gain allowed_hz"),
        ("lattice", "slope allowed_hz", ""),
    )
}
# Shares of one: a value of 1 or more asks for nothing or for the impossible.
_SHARES = ("loss", "kept", "error", "contrast", "branching")


class PlanningTable(Table, frozen=True, kw_only=True):
    """``[planning]``: what `labref plan` should know of this lab beyond its transitions.

    ``offers``: files of references (form: `labref.planning.offers`), from the lab file's folder.
    ``held_by``: which offer holds a transition's laser today. ``effort``: places in the order of
    simplicity that overrule the package's. ``exclude``: offers that are out of the question.
    ``recalibrate_s``: how long the light must stay right without anybody looking, where a use
    says nothing else (a day). ``f_rep_hz``: of the comb that is, or would be, there.
    """

    offers: list[str] = field(default_factory=list)
    held_by: dict[str, str] = field(default_factory=dict)
    effort: dict[str, Number] = field(default_factory=dict)
    exclude: list[str] = field(default_factory=list)
    recalibrate_s: Duration = 86_400
    f_rep_hz: Positive = 250_000_000


def check_uses(draft: Draft) -> None:
    """Report keys that a use lacks or does not know, pairs and transitions that do not exist."""
    names = draft.document.names("transitions")
    for transition, table in draft.document.tables.transitions.items():
        for name, use in table.uses.items():
            path = ("transitions", transition, "uses", name)
            for key, what in _wrong(use):
                draft.complaints.problem((*path, key) if key else path, what)
            if use.pair is not None and (use.pair not in names or use.pair == transition):
                other = ", ".join(sorted(names - {transition})) or "none"
                draft.complaints.problem(
                    (*path, "pair"), f"no other transition {use.pair!r}; there is {other}"
                )
    for name in draft.document.tables.planning.held_by:
        if name not in names:
            draft.complaints.problem(("planning", "held_by", name), f"no transition {name!r}")


def named_rows(draft: Draft, rows: Catalogue) -> dict[str, Transition]:
    """The catalogue's row of each transition that names one; where none fits there is none."""
    found = {}
    for name, table in draft.document.tables.transitions.items():
        if table.line is None:
            continue
        line = table.line
        choice = LineChoice(name=line) if isinstance(line, str) else line
        with suppress(InputError):
            found[name] = rows.get(
                choice.name, component=choice.component, year=choice.year, source=choice.source
            )
    return found


def _wrong(use: UseTable) -> Iterable[tuple[str, str]]:
    must, may = KEYS[use.kind]
    known = _ALWAYS | must | may
    for key in use.__struct_fields__:
        value = getattr(use, key)
        is_given = not _is_default(use, key)
        if key in must and value is None:
            yield "", f"{key!r} is missing: {use.kind} needs {', '.join(sorted(must))}"
        elif is_given and key not in known:
            yield key, f"{use.kind} does not know this key; it knows {', '.join(sorted(known))}"
        elif key in _SHARES and value is not None and value >= 1:
            yield key, f"{value} is a share: a number between 0 and 1 is meant"
    if use.kind == "raman" and use.pair is None and not use.same_laser:
        yield "", "'pair' or 'same_laser = true' is missing: whose difference is it?"


def _is_default(use: UseTable, key: str) -> bool:
    for info in msgspec.structs.fields(use):
        if info.name == key:
            return bool(getattr(use, key) == info.default)
    return True
