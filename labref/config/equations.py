"""Combs, cavities and lasers: from tables to exact equations over channels.

Each builder walks down to what it rests on, builds that first, and notes the edges of the
provenance graph on its way. A way that comes back to itself (a comb locked to a laser that is
measured with that comb) is a reference loop and is reported with its members.
"""

from __future__ import annotations

from fractions import Fraction

from labref.config.counted import source_equation
from labref.config.draft import Draft, NotBuilt
from labref.config.integers import comb_integers, path_integers
from labref.config.locate import Path
from labref.config.nouns import Laser
from labref.config.optics import CombTable, LaserTable, PathTable
from labref.config.teeth import Tooth, set_margins
from labref.frequency.comb import (
    cavity_mode,
    comb_tooth,
    f_ceo_detected,
    f_rep_from_optical,
    ratio_transfer,
)
from labref.frequency.equation import Equation, tap
from labref.model.errors import InputError

_WAYS = ("comb", "channel", "ratio", "cavity", "frequency_hz")
_KEYS_OF_WAY = {
    "comb": {"comb", "n", "beat", "sign", "ceo_factor"},
    "channel": {"channel"},
    "ratio": {"ratio", "beat", "sign"},
    "cavity": {"cavity", "mode", "sideband", "sideband_order"},
    "frequency_hz": {"frequency_hz", "u_hz", "reference"},
}
_PATH_KEYS = frozenset().union(*_KEYS_OF_WAY.values())


class Equations:
    """Builds the equations of one draft; what is asked for twice is built once."""

    def __init__(self, draft: Draft) -> None:
        self.draft = draft
        self._tables = draft.document.tables
        self._lasers: dict[str, Equation | None] = {}
        self._trail: list[str] = []

    def build(self) -> None:
        """Build every laser with all its paths, and every comb, into the draft."""
        for name in self._tables.combs:
            try:
                self.f_rep(name, ("combs", name))
            except NotBuilt:
                continue
        for name, table in self._tables.lasers.items():
            try:
                equation = self.laser(name, ("lasers", name))
            except NotBuilt:
                equation = None
            paths = self._other_paths(name, table)
            if equation is not None:
                self.draft.lasers[name] = Laser(
                    name, equation, paths, tuple(c for c in (table.comb,) if c)
                )

    def laser(self, name: str, path: Path) -> Equation:
        """Frequency of a laser at its tap; ``path`` is the place that names it."""
        table: LaserTable = self.draft.find("lasers", name, self._tables.lasers)
        node = f"lasers.{name}"
        if name in self._lasers and node not in self._trail:
            known = self._lasers[name]
            if known is None:
                raise NotBuilt
            return known
        self._enter(node, path)
        self._lasers[name] = None
        try:
            equation = self._way(table, node, ("lasers", name))
        finally:
            self._trail.pop()
        self._lasers[name] = equation.renamed(name)
        return equation.renamed(name)

    def f_rep(self, name: str, path: Path) -> Equation:
        """Repetition rate of a comb; ``path`` is the place that names it."""
        table: CombTable = self.draft.find("combs", name, self._tables.combs)
        if name in self.draft.f_reps:
            return self.draft.f_reps[name]
        node, place = f"combs.{name}", ("combs", name)
        self._enter(node, path)
        try:
            equation = (
                self._f_rep_counted(table, node, place)
                if table.locked_to is None
                else self._f_rep_locked(table, name, node, place)
            )
        finally:
            self._trail.pop()
        self.draft.f_reps[name] = equation
        return equation

    def _enter(self, node: str, path: Path) -> None:
        if node in self._trail:
            loop = [*self._trail[self._trail.index(node) :], node]
            raise self.draft.fail(path, f"reference loop: {' -> '.join(loop)} (M2)")
        self._trail.append(node)

    def _f_rep_counted(self, table: CombTable, node: str, path: Path) -> Equation:
        if table.f_rep is None:
            raise self.draft.fail(
                path, "'f_rep' is missing: the channel that counts it (or locked_to a laser)"
            )
        for key in ("n_ref", "beat_ref"):
            if getattr(table, key) is not None:
                self.draft.complaints.problem((*path, key), f"{key} needs locked_to")
        return source_equation(self.draft, table.f_rep, node, (*path, "f_rep"))

    def _f_rep_locked(self, table: CombTable, name: str, node: str, path: Path) -> Equation:
        draft = self.draft
        if table.n_ref is None or table.beat_ref is None:
            absent = "n_ref" if table.n_ref is None else "beat_ref"
            raise draft.fail(
                path, f"{absent!r} is missing: the tooth that follows {table.locked_to!r}"
            )
        self._check_eliminated(table, path)
        assert table.locked_to is not None
        nu_ref = self.laser(table.locked_to, (*path, "locked_to"))
        draft.rest(node, f"lasers.{table.locked_to}")
        beat = source_equation(draft, table.beat_ref, node, (*path, "beat_ref"))
        ceo = self._f_ceo(name, table, path) if table.ceo_factor_ref else None
        try:
            return f_rep_from_optical(
                nu_ref=nu_ref,
                n_ref=table.n_ref,
                f_ceo=ceo,
                beat_ref=beat,
                s0=_sign(table.f_ceo_sign),
                sb_ref=_sign(table.beat_ref_sign),
                c0=table.ceo_factor_ref,
                name=f"{node}.f_rep",
            ).relying_on(*comb_integers(draft, name, table), *nu_ref.integers)
        except InputError as error:
            raise draft.refuse(path, error) from None

    def _check_eliminated(self, table: CombTable, path: Path) -> None:
        """A counted f_rep of a comb on an optical reference enters nothing (M10)."""
        name = table.f_rep if isinstance(table.f_rep, str) else getattr(table.f_rep, "channel", "")
        if not name:
            return
        where = (*path, "f_rep")
        channel = self.draft.find("channels", name, self.draft.channels)
        if channel.role.value != "eliminated":
            raise self.draft.fail(
                where,
                f"f_rep follows from locked_to: channel {name!r} must have "
                'role = "eliminated", or locked_to must go (M10)',
            )

    def _f_ceo(self, name: str, table: CombTable, path: Path) -> Equation:
        draft, node = self.draft, f"combs.{name}"
        if table.f_ceo is None:
            raise draft.fail(
                path, "'f_ceo' is missing: its channel (an offset-free branch has ceo_factor = 0)"
            )
        note = source_equation(draft, table.f_ceo, node, (*path, "f_ceo"))
        aom = None
        if table.f_ceo_aom is not None:
            aom = draft.channel(table.f_ceo_aom, (*path, "f_ceo_aom")).name
            draft.rest(node, f"channels.{aom}")
        try:
            return f_ceo_detected(
                note, scheme=table.f_ceo_scheme, aom=aom, aom_order=table.f_ceo_aom_order or 0
            )
        except InputError as error:
            raise draft.refuse((*path, "f_ceo"), error) from None

    def _other_paths(self, name: str, table: LaserTable) -> dict[str, Equation]:
        paths = {}
        for key, other in table.paths.items():
            node = f"lasers.{name}.paths.{key}"
            try:
                equation = self._way(other, node, ("lasers", name, "paths", key))
            except NotBuilt:
                continue
            paths[key] = equation.renamed(f"{name} by {key}")
        return paths

    def _way(self, table: PathTable, node: str, path: Path) -> Equation:
        given = [way for way in _WAYS if getattr(table, way) is not None]
        if len(given) != 1:
            what = f"{' and '.join(given)} exclude each other" if given else "no way to its light"
            raise self.draft.fail(path, f"{what}: exactly one of {', '.join(_WAYS)} is meant")
        way = given[0]
        self._check_keys(way, path)
        try:
            return {
                "comb": self._by_comb,
                "channel": self._by_channel,
                "ratio": self._by_ratio,
                "cavity": self._by_cavity,
                "frequency_hz": self._asserted,
            }[way](table, node, path)
        except InputError as error:
            raise self.draft.refuse(path, error) from None

    def _check_keys(self, way: str, path: Path) -> None:
        """Keys that belong to another way are refused: silently ignored, they would mislead."""
        raw = self.draft.document.raw
        for part in path:
            raw = raw[part]  # type: ignore[index]
        for key in sorted(_PATH_KEYS - _KEYS_OF_WAY[way]):
            if key in raw:
                self.draft.complaints.problem((*path, key), f"{key} has no meaning with {way}")

    def _by_comb(self, table: PathTable, node: str, path: Path) -> Equation:
        draft = self.draft
        assert table.comb is not None
        f_rep = self.f_rep(table.comb, (*path, "comb"))
        comb = self._tables.combs[table.comb]
        draft.rest(node, f"combs.{table.comb}")
        for key, purpose in (("n", "the mode number"), ("beat", "the channel of the beat")):
            if getattr(table, key) is None:
                draft.complaints.problem(path, f"{key!r} is missing: {purpose}")
        if table.n is None or table.beat is None:
            raise NotBuilt
        ceo = self._f_ceo(table.comb, comb, ("combs", table.comb)) if table.ceo_factor else None
        beat = source_equation(draft, table.beat, node, (*path, "beat"))
        s0, sb, c0 = _sign(comb.f_ceo_sign), _sign(table.sign), table.ceo_factor
        nu = comb_tooth(
            name=node, n=table.n, f_rep=f_rep, f_ceo=ceo, beat=beat, s0=s0, sb=sb, c0=c0
        )
        draft.teeth[node] = Tooth(
            table.comb,
            table.n,
            f_rep.nominal(draft.channels),
            ceo.nominal(draft.channels) if ceo is not None else Fraction(0),
            beat.nominal(draft.channels),
            s0,
            sb,
            c0,
        )
        own = path_integers(draft, node, table)
        set_margins(draft, node, draft.teeth[node])
        common = comb_integers(draft, table.comb, comb) if ceo is not None else ()
        return nu.relying_on(*own, *common, *f_rep.integers)

    def _by_channel(self, table: PathTable, node: str, path: Path) -> Equation:
        assert table.channel is not None
        return source_equation(self.draft, table.channel, node, (*path, "channel"))

    def _by_ratio(self, table: PathTable, node: str, path: Path) -> Equation:
        assert table.ratio is not None
        p, q, other = table.ratio
        if p < 1 or q < 1:
            raise self.draft.fail((*path, "ratio"), f"{p}/{q}: two positive whole numbers")
        source = self.laser(other, (*path, "ratio", 2))
        self.draft.rest(node, f"lasers.{other}")
        extra: list[tuple[int, Equation]] = []
        if table.beat is not None:
            beat = source_equation(self.draft, table.beat, node, (*path, "beat"))
            extra.append((_sign(table.sign), beat))
        nu = ratio_transfer(source, p, q, *extra, name=node)
        return nu.relying_on(*path_integers(self.draft, node, table))

    def _by_cavity(self, table: PathTable, node: str, path: Path) -> Equation:
        draft = self.draft
        assert table.cavity is not None
        cavity = draft.find("cavities", table.cavity, self._tables.cavities)
        if table.mode is None:
            raise draft.fail(path, "'mode' is missing: the number of the cavity mode")
        below, place = f"cavities.{table.cavity}", ("cavities", table.cavity)
        draft.rest(node, below)
        if (cavity.fsr is None) == (cavity.fsr_hz is None):
            raise draft.fail(place, "exactly one of fsr (a channel) and fsr_hz is meant")
        if cavity.fsr is not None:
            fsr = draft.channel(cavity.fsr, (*place, "fsr"))
        else:
            fsr = draft.assume(f"{below}.fsr", Fraction(cavity.fsr_hz), u=float(cavity.fsr_u_hz))
        offset = draft.assume(
            f"{below}.offset",
            Fraction(cavity.offset_hz),
            u=float(cavity.offset_u_hz),
            rate_per_s=float(cavity.rate_hz_per_s),
        )
        draft.rest(below, f"channels.{fsr.name}", f"channels.{offset.name}")
        sideband = None
        if table.sideband is not None:
            sideband = source_equation(draft, table.sideband, node, (*path, "sideband"))
        return cavity_mode(
            name=node,
            mode=table.mode,
            fsr=fsr,
            offset=offset,
            sideband=sideband,
            sideband_order=table.sideband_order,
            integers=path_integers(draft, node, table),
        )

    def _asserted(self, table: PathTable, node: str, path: Path) -> Equation:
        assert table.frequency_hz is not None
        if table.u_hz is None and table.reference is None:
            raise self.draft.fail(
                path, "an asserted frequency needs its standard uncertainty u_hz, or a reference"
            )
        channel = self.draft.assume(
            f"{node}.frequency",
            Fraction(table.frequency_hz),
            reference=table.reference,
            u=float(table.u_hz or 0),
            kind="asserted",
        )
        self.draft.rest(node, f"channels.{channel.name}")
        return tap(channel)


def _sign(text: str) -> int:
    return 1 if text == "+" else -1
