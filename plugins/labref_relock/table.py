"""The table [relock.NAME] of the lab file (rules S2 to S6, M17, M19)."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Annotated, Any, Literal

from msgspec import field

from labref.actuation.tables import LevelTable
from labref.config.fields import (
    Duration,
    NotNegative,
    Number,
    Positive,
    PositiveInteger,
    Table,
    WitnessName,
    needed,
)
from labref.config.provenance import why_dependent

Problems = Iterator[tuple[tuple[str, ...], str]]


class EngageTable(Table, frozen=True, kw_only=True):
    """The lock's switch: which of [outputs], and its two values."""

    output: Annotated[str, needed("which of [outputs] closes the lock")]
    on: Annotated[Number, needed("the value at which the lock is closed")]
    off: Annotated[Number, needed("the value at which it is open")]


class RelockTable(Table, frozen=True, kw_only=True):
    """``[relock.NAME]``: restore one lock, and believe it only by independent evidence.

    ``transition`` names the light. ``lock`` is the level that says that the lock holds. The output
    ``sweep`` goes outward from where it stands, by ``sweep_step``, at most ``sweep_span`` to either
    side, until the frequency witness ``coarse`` reads within ``window_hz`` of the target (or the
    level ``beat`` says so); then ``engage`` closes the lock. Verified means: the one plausible
    integer within k = ``k`` of the witness is the lab file's, ``confirmations`` kinds of evidence
    speak for the witness itself, inside the tolerance, and all this for ``stable_s``. ``needs``:
    level witnesses of the references and the comb, without which nothing moves.

    ``amplifier``: "none", or a seeded one: then ``seed_power`` or ``amplifier_off`` must say so at
    each step. ``beam_blocked`` says that the beam is blocked while sweeping; ``beam_open`` is a
    signed line (who, when, why) that it need not be. ``spacing_hz`` separates the
    resonances of a laser that is on no comb. Off unless ``armed``.
    """

    transition: Annotated[str, needed("the transition whose light is to be restored")]
    lock: Annotated[LevelTable, needed("the level that says that the lock holds")]
    sweep: Annotated[str, needed("which of [outputs] sweeps the laser")]
    sweep_step: Annotated[Positive, needed("one step of the sweep, in the output's unit")]
    sweep_span: Annotated[Positive, needed("how far to either side, in the output's unit")]
    coarse: Annotated[WitnessName, needed("the frequency witness that tells the tooth")]
    window_hz: Annotated[Positive, needed("how near the target the lock can be closed, in Hz")]
    needs: Annotated[
        list[WitnessName], needed("levels of reference and comb that must be well; [] if none")
    ]
    amplifier: Annotated[Literal["none", "seeded"], needed("'none' or 'seeded'")]
    armed: bool = False
    engage: EngageTable | None = None
    beat: LevelTable | None = None
    seed_power: LevelTable | None = None
    amplifier_off: LevelTable | None = None
    beam_blocked: LevelTable | None = None
    beam_open: str = ""
    after: list[str] = field(default_factory=list)
    k: Positive = 5
    confirmations: PositiveInteger = 2
    history_s: Duration = 86_400
    spacing_hz: Positive | None = None
    lost_s: NotNegative = 1
    settle_s: NotNegative = Decimal("0.2")
    catch_s: Duration = 2
    stable_s: Duration = 10
    verify_s: Duration = 60
    attempts_per_hour: PositiveInteger = 3
    attempts_per_day: PositiveInteger = 10

    def check_lab(self, lab: Any) -> Problems:
        """Say what does not fit the rest of the file."""
        yield from self._outputs(lab)
        yield from self._safety()
        if self.transition not in lab.transitions:
            yield ("transition",), f"there is no transition {self.transition!r}"
            return
        transition = lab.transitions[self.transition]
        laser = lab.lasers[transition.laser]
        if not laser.combs and laser.equation.integers and self.spacing_hz is None:
            yield ("spacing_hz",), "how far apart the resonances are: the next one must be told"
        if len(laser.combs) > 1:
            yield ("transition",), "a laser that rests on several combs cannot be relocked yet"
        yield from self._witness(lab, transition.laser)
        for index, name in enumerate(self.needs):
            if lab.witnesses[name].kind != "level":
                yield ("needs", str(index)), f'{name!r} is no witness of kind "level"'
        for key in ("lock", "beat", "seed_power", "amplifier_off", "beam_blocked"):
            level = getattr(self, key)
            if level is not None:
                yield from (((key, *path), what) for path, what in level.check_lab(lab))

    def _witness(self, lab: Any, laser: str) -> Problems:
        witness = lab.witnesses[self.coarse]
        if witness.kind != "frequency" or witness.laser != laser:
            yield ("coarse",), f"{self.coarse!r} is no frequency witness of {laser!r}"
            return
        why = why_dependent(lab.provenance, f"witnesses.{self.coarse}", f"lasers.{laser}")
        if why is not None:
            yield ("coarse",), f"{self.coarse!r} is not independent (M2): {why}"
        if not witness.u_hz > 0:
            yield ("coarse",), f"{self.coarse!r} states no uncertainty u: nothing is unique (M17)"

    def _outputs(self, lab: Any) -> Problems:
        outputs = lab.tables.get("outputs", {})
        wanted: dict[tuple[str, ...], str] = {("sweep",): self.sweep}
        if self.engage is not None:
            wanted["engage", "output"] = self.engage.output
            for key, value in (("on", self.engage.on), ("off", self.engage.off)):
                inside = outputs.get(self.engage.output)
                if inside and not inside.harmless[0] <= value <= inside.harmless[1]:
                    yield ("engage", key), f"{value} is outside its harmless range"
        for path, name in wanted.items():
            if name not in outputs:
                yield path, f"there is no [outputs.{name}]"
        if self.sweep in outputs and self.sweep_step > self.sweep_span:
            yield ("sweep_step",), "a step is wider than the whole sweep"

    def _safety(self) -> Problems:
        if self.amplifier == "seeded" and self.seed_power is None and self.amplifier_off is None:
            yield (
                ("amplifier",),
                "an amplifier without seed destroys itself: name seed_power or amplifier_off (S3)",
            )
        if self.beam_blocked is None and len(self.beam_open.strip()) < 10:
            yield (
                ("beam_blocked",),
                "name the level that says the beam is blocked, or sign in beam_open who decided "
                "when and why that it need not be (S3)",
            )
