"""What else a comb or cavity could mean: how far the next mode number or sign is (M17, M19).

A beat fits every tooth and both signs, n*f_rep + c0*s0*f_ceo + sb*f_beat; a witness that agrees
to within less than the distance between two of these frequencies tells them apart, one that
is content with more proves neither.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

from labref.config.draft import Draft
from labref.config.locate import Path
from labref.frequency.mode_number import BOTH, Candidate, Lines, margin_of
from labref.model.errors import InputError
from labref.model.text import quantity

# A witness tells two candidates apart when k of its own standard uncertainties fit between (M17).
K_APART = 5


@dataclass(frozen=True, slots=True)
class Tooth:
    """The nominal numbers of one laser on one comb (exact, Hz) and the integers chosen."""

    comb: str
    n: int
    f_rep_hz: Fraction
    f_ceo_hz: Fraction
    beat_hz: Fraction
    ceo_sign: int
    beat_sign: int
    c0: int

    @property
    def frequency_hz(self) -> Fraction:
        """Where the chosen integers put the light at the tap."""
        ceo = self.c0 * self.ceo_sign * self.f_ceo_hz
        return self.n * self.f_rep_hz + ceo + self.beat_sign * self.beat_hz

    def apart_hz(self, ceo_sign_known: bool) -> Fraction | None:
        """Distance to the nearest other candidate; None where the numbers are no comb's."""
        signs = (self.ceo_sign,) if ceo_sign_known or not self.c0 else BOTH
        try:
            lines = Lines(self.f_rep_hz, self.f_ceo_hz, abs(self.beat_hz), BOTH, signs, self.c0)
        except InputError:
            return None
        sign = self.beat_sign if self.beat_hz >= 0 else -self.beat_sign
        best = Candidate(self.n, sign, self.ceo_sign, self.frequency_hz, 0.0, True)
        return 2 * margin_of(best, lines)


def set_margins(draft: Draft, node: str, tooth: Tooth) -> None:
    """Give every record of a laser's integers its margin, where the file states none."""
    apart = tooth.apart_hz(ceo_sign_known=False)
    for name in (f"{node}.n", f"{node}.sign"):
        record = draft.integers.get(name)
        if record is not None and record.margin_hz is None and apart is not None:
            draft.integers[name] = replace(record, margin_hz=float(apart / 2))


def check_sharp_enough(draft: Draft, laser: str, within_hz: float, u_hz: float, path: Path) -> None:
    """Refuse a frequency witness that cannot tell the laser's own integers from the next."""
    tooth = draft.teeth.get(f"lasers.{laser}")
    apart = None if tooth is None else tooth.apart_hz(ceo_sign_known=True)
    if apart is None:
        return
    gap = quantity(float(apart), sign=False)
    if within_hz >= apart:
        draft.complaints.problem(
            path,
            f"the next mode number or sign of {laser!r} is {gap} away: a witness content with "
            f"{quantity(within_hz, sign=False)} cannot tell it (M17)",
        )
    elif within_hz + K_APART * u_hz >= apart:
        draft.complaints.warning(
            path,
            f"the next mode number or sign of {laser!r} is {gap} away: within this and {K_APART} "
            f"u of the witness ({quantity(u_hz, sign=False)} each) it may be taken for it (M17)",
        )


def check_ceo_signs(draft: Draft) -> None:
    """Every comb's f_ceo sign is told by the witness of at least one of its lasers, or dated."""
    told: dict[str, bool] = {}
    for node, tooth in draft.teeth.items():
        laser = node.split(".")[1]
        apart = tooth.apart_hz(ceo_sign_known=False)
        sharp = any(
            w.laser == laser
            and w.within_hz is not None
            and apart is not None
            and w.within_hz + K_APART * w.u_hz < apart
            for w in draft.witnesses.values()
        )
        told[tooth.comb] = told.get(tooth.comb, False) or sharp or not tooth.c0
    for comb, is_told in told.items():
        record = draft.integers.get(f"combs.{comb}.f_ceo_sign")
        if not is_told and record is not None and record.found_ns is None:
            draft.complaints.warning(
                ("combs", comb),
                "no witness can tell the sign of its f_ceo from the other: dated evidence would "
                "(M17)",
            )
