"""References as files: the form in which a part, or a reference of your own, is written down.

One file, TOML or JSON with the same keys, holds one reference. A program that characterises a
light (from a trace, a beat, a spectrum) writes it; `labref plan LAB.toml --offer FILE` and
``offers = ["FILE"]`` of the lab file's ``[planning]`` read it. Example::

    labref_offer = 1                       # version of this form; always first
    name = "my_cavity"                     # letters, digits, '_' and '-'
    title = "10 cm cavity at 729 nm, fitted from our own trace"
    part = "whole"                         # whole | prestabilisation | anchor | transfer
    nominal_hz = "411042129776400.4"       # carrier for which [s_nu] holds, exact decimal text
    coherent = true                        # may it carry coherent pulses? default true
    effort = 6                             # optional: place in the order of simplicity
    source = "fitted: trace night_17, 2026-11-20T20:00:00Z, 36000 gates of 1 s"

    [accuracy]                             # fractional standard uncertainty, one sigma
    u = 2e-13
    source = "..."                         # each entry may have its own source

    [drift]                                # fractional, 1/s; sign does not matter
    per_s = 3.1e-16
    u_per_s = 2e-17                        # optional, added as 3 u to the size
    source = "linear fit, order 1"

    [sigma_y]                              # fractional deviation over averaging time
    statistic = "oadev"                    # adev or oadev; default oadev
    tau_s = [1, 10, 100, 1000]
    value = [2.1e-15, 1.4e-15, 1.3e-15, 2.0e-15]
    upper = [2.2e-15, 1.5e-15, 1.5e-15, 2.9e-15]   # optional bounds; upper is what is planned with
    source = "..."

    [s_nu]                                 # one-sided S_nu(f) of the light at nominal_hz, Hz^2/Hz
    f_hz = [1e-3, 0.5]
    value = [0.04, 0.02]
    source = "..."

An entry that is not known is left out, or has ``known = false`` with its ``source`` as the
reason: it is then *unknown*, and no use that depends on it is said to be served. Curves are
straight lines in a log-log plot and unknown outside their points. Fractional entries hold at
every carrier; S_nu is scaled by (nu / nominal_hz)^2. Keys that this form does not name are
errors, except under ``[notes]``, which may hold anything.

``part = "whole"`` is a light as it is used. The other parts enter the compositions of
`labref.planning.compose` in place of, or beside, the parts of ``parts.toml``: there entries may
also be absolute (``u_hz``, ``per_s_hz``, ``value_hz``; an ``[s_nu]`` without ``nominal_hz``),
which do not scale with the carrier.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path
from typing import Any

from labref.model.errors import InputError
from labref.model.exact import exact
from labref.planning.compose import add, follow
from labref.planning.entries import Entries
from labref.planning.parts import Part, builtin_parts, part_of_table

FORM_VERSION = 1
# A lock slower than this leaves the light within any pulse as it was.
_SLOW_LOOP_HZ = 1.0
_FILE_KEYS = frozenset({"labref_offer", "name", "nominal_hz", "notes"})
_OFFER_KEYS = {"title", "prestabilisation", "anchor", "transfer", "loop", "steered_by"}


@dataclass(frozen=True)
class Offer:
    """A way of referencing a laser: named stages, or one light that was fitted as a whole.

    Attributes:
        title: in words.
        laser: the free-running laser.
        cavity, anchor, transfer, loop: the four parts; None is none.
        steered_by: a second anchor behind the first, through the loop `slow`.
        slow: the loop of `steered_by`.
        whole: a light that was characterised as it is; it then stands for everything.
        effort: place in the order of simplicity; smaller is simpler.
    """

    name: str
    title: str
    effort: float
    laser: Part | None = None
    cavity: Part | None = None
    anchor: Part | None = None
    transfer: Part | None = None
    loop: Part | None = None
    steered_by: Part | None = None
    slow: Part | None = None
    whole: Part | None = None

    @property
    def parts(self) -> tuple[Part, ...]:
        """All parts, fastest first."""
        found = (
            self.whole, self.laser, self.cavity, self.anchor, self.transfer, self.loop,
            self.steered_by,
        )  # fmt: skip
        return tuple(part for part in found if part is not None)

    def refusal(self, species: str, linewidth_hz: float | None) -> str:
        """Why it cannot serve this line at all; empty where it can."""
        reasons = (part.serves(species, linewidth_hz) for part in self.parts)
        return next((reason for reason in reasons if reason), "")

    def incoherence(self) -> str:
        """Why its light must not carry coherent pulses; empty where it may.

        Only parts that the light follows within a pulse count: an RF-referenced comb that steers
        a cavity slowly leaves the cavity's coherence.
        """
        fast = [self.whole, self.cavity]
        if self.loop is not None and self.loop.bandwidth_hz >= _SLOW_LOOP_HZ:
            fast.append(self.anchor)
        for part in fast:
            if part is not None and not part.is_coherent:
                return str(part.table.get("coherent_reason", f"{part.title} is not coherent"))
        return ""

    def at(self, nu_hz: float, linewidth_hz: float | None = None) -> Entries:
        """Return the four entries of the light at this carrier."""
        if self.whole is not None:
            return self.whole.at(nu_hz)
        assert self.laser is not None
        light = self.laser.at(nu_hz)
        if self.cavity is not None:
            light = follow(light, self.cavity.at(nu_hz), self.cavity.bandwidth_hz)
        if self.anchor is not None and self.loop is not None:
            reference = self.anchor.at(nu_hz, linewidth_hz)
            if self.transfer is not None:
                reference = add(reference, self.transfer.at(nu_hz))
            if self.loop.bandwidth_hz <= 0.0:
                light = replace(light, u=reference.u)
            light = follow(light, reference, self.loop.bandwidth_hz)
        if self.steered_by is not None and self.slow is not None:
            steering = self.steered_by.at(nu_hz, linewidth_hz)
            light = follow(light, steering, self.slow.bandwidth_hz)
        return light

    def with_part(self, part: Part) -> Offer:
        """Return the offer with a part of the same name replaced by this one."""
        slots = ("laser", "cavity", "anchor", "transfer", "loop", "steered_by", "slow", "whole")
        changed: dict[str, Any] = {}
        for slot in slots:
            old = getattr(self, slot)
            if old is not None and old.name == part.name:
                changed[slot] = part
        return replace(self, **changed)


def builtin_offers(
    parts: Mapping[str, Part] | None = None, effort: Mapping[str, float] | None = None
) -> tuple[Offer, ...]:
    """The package's compositions, simplest first; `effort` overrules places by name."""
    known = {**builtin_parts(), **(parts or {})}
    text = resources.files("labref.planning").joinpath("offers.toml").read_text("utf-8")
    offers = [_composed(name, table, known) for name, table in tomllib.loads(text).items()]
    return in_order(offers, effort or {})


def in_order(offers: Iterable[Offer], effort: Mapping[str, float]) -> tuple[Offer, ...]:
    """Sort by simplicity; raises InputError for a place of an offer that does not exist."""
    found = {offer.name: offer for offer in offers}
    for name, place in effort.items():
        if name not in found:
            raise InputError(f"effort of {name!r}: no such offer; there is {', '.join(found)}")
        found[name] = replace(found[name], effort=place)
    return tuple(sorted(found.values(), key=lambda offer: (offer.effort, offer.name)))


def _composed(name: str, table: Mapping[str, Any], parts: Mapping[str, Part]) -> Offer:
    for key in table:
        if key not in _OFFER_KEYS | {"extra_effort"}:
            raise InputError(f"offer {name}: unknown key {key!r}")

    def part(key: str, default: str | None = None) -> Part | None:
        wanted = table.get(key, default)
        if wanted is not None and wanted not in parts:
            raise InputError(f"offer {name}: no part {wanted!r}")
        return None if wanted is None else parts[wanted]

    steered = part("steered_by")
    offer = Offer(
        name,
        str(table["title"]),
        0.0,
        laser=parts["free_laser"],
        cavity=part("prestabilisation"),
        anchor=part("anchor"),
        transfer=part("transfer", "direct"),
        loop=part("loop"),
        steered_by=steered,
        slow=None if steered is None else parts["atom_steering"],
    )
    total = sum(one.effort for one in offer.parts) + float(table.get("extra_effort", 0))
    return replace(offer, effort=total)


def read_offer(path: Path) -> Part:
    """Read a file of the form above; raises InputError naming file and key."""
    try:
        text = path.read_text("utf-8")
        table = json.loads(text) if path.suffix == ".json" else tomllib.loads(text)
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from None
    except ValueError as error:
        raise InputError(f"{path}: neither TOML nor (by .json) JSON: {error}") from None
    try:
        return part_from(table)
    except InputError as error:
        raise InputError(f"{path}: {error}") from None


def part_from(table: object) -> Part:
    """Check the content of such a file; raises InputError."""
    if not isinstance(table, Mapping) or table.get("labref_offer") != FORM_VERSION:
        raise InputError(f"the file begins with labref_offer = {FORM_VERSION}")
    name = table.get("name")
    if not isinstance(name, str) or not name.replace("_", "a").replace("-", "a").isalnum():
        raise InputError(f"name {name!r}: letters, digits, '_' and '-' are meant")
    if table.get("part") not in {"whole", "prestabilisation", "anchor", "transfer"}:
        raise InputError(
            f"part is whole, prestabilisation, anchor or transfer, not {table.get('part')!r}"
        )
    nominal = table.get("nominal_hz")
    if nominal is not None and not exact(nominal if isinstance(nominal, int) else str(nominal)) > 0:
        raise InputError(f"nominal_hz {nominal!r} is not positive")
    return part_of_table(name, table, _FILE_KEYS)


def offer_of_part(part: Part) -> Offer:
    """A light that was characterised as a whole, as an offer."""
    if part.kind != "whole":
        raise InputError(f"{part.name}: a {part.kind} is no offer by itself")
    return Offer(part.name, part.title, part.effort, whole=part)
