"""Which tooth, and may the witness be believed? Pure functions of numbers (rules M17, M19).

A laser that was relocked shows the same beat on every tooth. What its frequency is follows from an
independent coarse value, and that value may itself be wrong: by its calibration, since a moment
ago, on one channel of its switch only. So the witness needs *confirmations* of its own:

    history    before the loss it agreed with the comb on this very laser, within k u
    voucher    now it agrees with the comb on another laser that never lost its lock, within k u,
               and has not stepped there since (a light only doubted: it may have come back from
               where it had crept to before anybody doubted)
    second     another witness, sharing nothing with the first, gives the same integers
    lab file   the lock was not lost since these very integers were last believed, only doubted

One that contradicts refuses, however many agree. Together history and voucher tell a standing error
of one channel and a step common to all; a step of one channel alone, of just one repetition
rate, while its laser was lost, only a second witness can tell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from fractions import Fraction

from labref.frequency.mode_number import Coarse, Found, Lines, from_coarse
from labref.model.errors import AmbiguousError, InputError

LEAST_HISTORY = 10  # readings


@dataclass(frozen=True, slots=True)
class Word:
    """What one source says about the laser at its tap: exact Hz, constant u, noise, motion."""

    name: str
    hz: Fraction
    u_hz: float
    moved_hz: float = 0.0


@dataclass(frozen=True, slots=True)
class Past:
    """The witness minus the comb while all was good: mean in Hz, its scatter, how many readings."""

    mean_hz: float
    sigma_hz: float
    count: int


@dataclass(frozen=True, slots=True)
class Voucher:
    """Another laser on the same wavemeter: witness minus comb now, u, and its past.

    Only one that is ``good`` can speak for the wavemeter; any may speak against it. One that is off
    by whole teeth of its own comb (``spacing_hz``) may itself sit on a wrong tooth: it is not heard
    where another one speaks for the wavemeter.
    """

    name: str
    good: bool
    now_hz: float
    u_hz: float
    sigma_hz: float
    past: Past | None
    spacing_hz: float = 0.0


@dataclass(frozen=True, slots=True)
class Case:
    """All evidence about one relocked laser.

    ``declared_hz``: the tap by the lab file's integers; ``n`` and ``beat_sign`` those.
    ``beat_hz`` is positive; 0 for a laser on a resonator, whose ``spacing_hz`` is then f_rep's.
    ``never_lost``: the lock held ever since the integers were last believed.
    """

    declared_hz: Fraction
    n: int
    beat_sign: int
    spacing_hz: Fraction
    beat_hz: Fraction
    coarse: Word
    past: Past | None = None
    vouchers: tuple[Voucher, ...] = ()
    seconds: tuple[Word, ...] = ()
    k: float = 5.0
    confirmations: int = 2
    never_lost: bool = False


class Answer(Enum):
    """What the evidence says."""

    RIGHT = "right"
    WRONG = "wrong"  # unique, and not the lab file's integers
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class Judged:
    """The answer, why, and what was found where it is unique."""

    answer: Answer
    text: str
    found: Found | None = None
    confirmed_by: tuple[str, ...] = ()


def judge(case: Case) -> Judged:
    """Decide, never guess."""
    try:
        found = _find(case, case.coarse)
    except (AmbiguousError, InputError) as error:
        return Judged(Answer.REFUSED, str(error).splitlines()[0])
    against = [*_history(case)[1], *_vouchers(case)[1], *_seconds(case, found)[1]]
    if against:
        return Judged(Answer.REFUSED, f"the witness is contradicted: {'; '.join(against)}", found)
    kinds = [_history(case)[0], _vouchers(case)[0], _seconds(case, found)[0]]
    best = found.best
    same = (best.n, best.beat_sign) == (case.n, case.beat_sign)
    kinds.append(["the lab file's evidence"] if same and case.never_lost else [])
    names = tuple(name for kind in kinds for name in kind)
    spoken = sum(bool(kind) for kind in kinds)
    if spoken < case.confirmations:
        what = ", ".join(names) or "nothing"
        text = f"{spoken} of {case.confirmations} confirmations of the witness: {what}"
        return Judged(Answer.REFUSED, text, found, names)
    if not same:
        side = "" if best.beat_sign == case.beat_sign else ", on the other side of the tooth"
        return Judged(Answer.WRONG, f"{best.n - case.n:+d} teeth{side}", found, names)
    text = f"n = {best.n}, {found.evidence}; confirmed by {', '.join(names)}"
    return Judged(Answer.RIGHT, text, found, names)


def _find(case: Case, word: Word) -> Found:
    signed_beat = case.beat_sign * case.beat_hz
    rest = case.declared_hz - case.n * case.spacing_hz - signed_beat
    signs = (1, -1) if case.beat_hz else (case.beat_sign,)
    lines = Lines(case.spacing_hz, rest, case.beat_hz, signs)
    return from_coarse(Coarse(word.hz, word.u_hz, word.moved_hz), lines, case.k)


Says = tuple[list[str], list[str]]  # for, against


def _history(case: Case) -> Says:
    past = case.past
    if past is None or past.count < LEAST_HISTORY:
        return [], []
    if abs(past.mean_hz) <= case.k * case.coarse.u_hz:
        return ["its history"], []
    return [], [f"before the loss it read {past.mean_hz:+.3e} Hz off"]


def _vouchers(case: Case) -> Says:
    good: list[str] = []
    bad: list[str] = []
    elsewhere: list[str] = []
    for voucher in case.vouchers:
        stepped = _stepped_hz(voucher)
        if abs(voucher.now_hz) > case.k * voucher.u_hz:
            says = elsewhere if _on_another_tooth(voucher, case.k) else bad
            says.append(f"it reads {voucher.name} {voucher.now_hz:+.3e} Hz off")
        elif not case.never_lost and abs(stepped) > case.k * voucher.sigma_hz * 1.5:
            bad.append(f"on {voucher.name} it stepped by {stepped:+.3e} Hz")
        elif voucher.good:
            good.append(voucher.name)
    return good, bad if good else [*bad, *elsewhere]


def _on_another_tooth(voucher: Voucher, k: float) -> bool:
    """Whether it is not good, and a jump by whole teeth explains what it reads."""
    if voucher.good or not voucher.spacing_hz:
        return False
    teeth = round(voucher.now_hz / voucher.spacing_hz)
    return teeth != 0 and abs(voucher.now_hz - teeth * voucher.spacing_hz) <= k * voucher.u_hz


def _stepped_hz(voucher: Voucher) -> float:
    past = voucher.past
    known = past is not None and past.count >= LEAST_HISTORY
    return voucher.now_hz - past.mean_hz if known and past is not None else 0.0


def _seconds(case: Case, found: Found) -> Says:
    good: list[str] = []
    bad: list[str] = []
    for word in case.seconds:
        try:
            same = _find(case, word).best.frequency_hz == found.best.frequency_hz
        except (AmbiguousError, InputError):
            bad.append(f"{word.name} allows no single answer")
            continue
        (good if same else bad).append(word.name if same else f"{word.name} says otherwise")
    return good, bad


def mean_and_sigma(values: Sequence[float]) -> tuple[float, float]:
    """Mean and sample deviation; the deviation of fewer than two is 0."""
    mean = sum(values) / len(values)
    if len(values) < 2:
        return mean, 0.0
    return mean, float((sum((v - mean) ** 2 for v in values) / (len(values) - 1)) ** 0.5)
