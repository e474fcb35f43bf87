"""``labref mode-number``: the bench calculator for mode numbers and signs. Unique, or refused."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TypeVar

import click

from labref.cli.exact_number import HZ
from labref.frequency.mode_number import BOTH, Candidate, Coarse, Found, Lines, from_coarse
from labref.frequency.rates import Observation, from_rates, from_teeth
from labref.model.errors import AmbiguousError, InputError
from labref.model.exact import exact_text

REFUSED = 3
_T = TypeVar("_T")
_SIGNS = {"+": 1, "-": -1}


@dataclass(frozen=True, slots=True)
class Request:
    """The options as they came; one entry per repetition rate where several are allowed."""

    coarse: Fraction | None
    coarse_u: float | None
    moved: float
    f_rep: tuple[Fraction, ...]
    f_rep_u: float
    f_ceo: tuple[Fraction, ...]
    ceo_unknown: bool
    branch: int
    beat: tuple[Fraction, ...]
    beat_u: tuple[float, ...]
    sign: tuple[str, ...]
    jump: tuple[int, ...]
    followed: bool
    k: float


@click.command(name="mode-number")
@click.option("--coarse", type=HZ, help="Coarse frequency of the laser at the comb, Hz.")
@click.option("--coarse-u", type=float, help="Its standard uncertainty (one sigma), Hz.")
@click.option("--moved", type=float, default=0.0, help="What the laser can have moved, Hz.")
@click.option("--f-rep", type=HZ, multiple=True, required=True, help="Repetition rate, Hz.")
@click.option("--f-rep-u", type=float, default=0.0, help="Its standard uncertainty, Hz.")
@click.option("--f-ceo", type=HZ, multiple=True, help="Signed offset frequency, Hz.")
@click.option("--f-ceo-sign-unknown", "ceo_unknown", is_flag=True, help="Try both signs.")
@click.option("--branch", type=click.IntRange(0, 2), default=1, help="c0 of the comb branch.")
@click.option("--beat", type=HZ, multiple=True, required=True, help="Counted beat, Hz.")
@click.option("--beat-u", type=float, multiple=True, help="Its standard uncertainty, Hz.")
@click.option("--sign", type=click.Choice(["+", "-"]), multiple=True, help="Known beat sign.")
@click.option("--jump", type=int, multiple=True, help="Tooth of each later rate minus the first.")
@click.option(
    "--not-followed",
    "followed",
    is_flag=True,
    flag_value=False,
    default=True,
    help="The beat may have crossed 0 or f_rep/2 between the rates.",
)
@click.option("--k", type=float, default=5.0, show_default=True, help="Coverage of u.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(as_json: bool, **options: object) -> None:
    """Mode number and sign of a laser against a comb, from what a bench can read.

    One repetition rate needs a coarse value. Two or more rates give the number by themselves
    (same tooth, beat followed from one to the next; or --jump); with a coarse value as well the
    teeth need not be known. All frequencies are exact decimal numbers in Hz.

    Exit codes: 0 found, 2 usage, 3 refused: none or several candidates are plausible.
    """
    request = Request(**options)  # type: ignore[arg-type]
    try:
        found = solve(request)
    except InputError as error:
        raise click.UsageError(str(error)) from error
    except AmbiguousError as refusal:
        _refuse(refusal, request, as_json)
        sys.exit(REFUSED)
    if as_json:
        click.echo(json.dumps(_found_json(found, request), indent=2))
    else:
        _show(found, request)


def solve(request: Request) -> Found:
    """Choose the method by what was given. Raises InputError, AmbiguousError."""
    coarse = _coarse(request)
    lines = _lines(request)
    if len(lines) == 1:
        if coarse is None:
            raise InputError("one repetition rate needs --coarse and --coarse-u")
        if not request.f_ceo and request.branch:
            raise InputError("--f-ceo is missing (0 with --branch 0 for an offset-free comb)")
        return from_coarse(coarse, lines[0], request.k)
    observations = _observations(request, lines)
    if coarse is not None:
        if request.jump:
            raise InputError(
                "--jump and --coarse: with a coarse value the teeth are found; drop one"
            )
        return from_teeth(observations, coarse, k=request.k, moved_hz=request.moved)
    return from_rates(observations, k=request.k, moved_hz=request.moved, followed=request.followed)


def _coarse(request: Request) -> Coarse | None:
    if request.coarse is None:
        if request.coarse_u is not None:
            raise InputError("--coarse-u without --coarse")
        return None
    if request.coarse_u is None:
        raise InputError("--coarse without --coarse-u: state its standard uncertainty")
    return Coarse(request.coarse, request.coarse_u, request.moved)


def _lines(request: Request) -> list[Lines]:
    count = len(request.f_rep)
    beats = _each("--beat", request.beat, count, exactly=True)
    offsets = _each("--f-ceo", request.f_ceo or (Fraction(0),), count)
    known: list[tuple[int, ...]] = [(_SIGNS[text],) for text in request.sign]
    signs = _each("--sign", known or [BOTH], count)
    ceo_signs = BOTH if request.ceo_unknown else (1,)
    return [
        Lines(f_rep, offset, beat, sign, ceo_signs, request.branch)
        for f_rep, offset, beat, sign in zip(request.f_rep, offsets, beats, signs, strict=True)
    ]


def _observations(request: Request, lines: Sequence[Lines]) -> list[Observation]:
    if not request.beat_u:
        raise InputError("several repetition rates need --beat-u, the uncertainty of the beats")
    if request.jump and len(request.jump) != len(lines) - 1:
        raise InputError("--jump is given once for each repetition rate after the first")
    u = _each("--beat-u", request.beat_u, len(lines))
    jumps = (0, *(request.jump or (0,) * (len(lines) - 1)))
    return [
        Observation(line, u_hz, request.f_rep_u, jump)
        for line, u_hz, jump in zip(lines, u, jumps, strict=True)
    ]


def _each(name: str, values: Sequence[_T], count: int, exactly: bool = False) -> Sequence[_T]:
    """One value for each repetition rate; a single one serves all unless ``exactly``."""
    if len(values) == 1 and not exactly:
        return [values[0]] * count
    if len(values) != count:
        raise InputError(f"{name} is given {len(values)} times for {count} repetition rates")
    return values


def _frequency(candidate: Candidate, request: Request) -> str | None:
    """Exact decimal text; None where f_ceo was not given, so that it is not known."""
    known = bool(request.f_ceo) or request.branch == 0
    return exact_text(candidate.frequency_hz) if known else None


def _sign(sign: int) -> str:
    return "+" if sign > 0 else "-"


def _candidate_json(candidate: Candidate, request: Request) -> dict[str, object]:
    return {
        "n": candidate.n,
        "sign": _sign(candidate.beat_sign),
        "f_ceo_sign": _sign(candidate.ceo_sign),
        "frequency_hz": _frequency(candidate, request),
        "distance_u": candidate.distance_u,
        "plausible": candidate.plausible,
        "note": candidate.note,
    }


def _found_json(found: Found, request: Request) -> dict[str, object]:
    best = _candidate_json(found.best, request)
    return {
        "n": best["n"],
        "sign": best["sign"],
        "f_ceo_sign": best["f_ceo_sign"],
        "frequency_hz": best["frequency_hz"],
        "margin_hz": exact_text(found.margin_hz),
        "k": found.k,
        "evidence": found.evidence,
        "refused": None,
        "candidates": [_candidate_json(c, request) for c in found.candidates],
    }


def _refuse(refusal: AmbiguousError, request: Request, as_json: bool) -> None:
    candidates = [c for c in refusal.candidates if isinstance(c, Candidate)]
    reason = str(refusal).splitlines()[0]
    if as_json:
        answer = {
            "n": None,
            "sign": None,
            "frequency_hz": None,
            "k": request.k,
            "refused": reason,
            "candidates": [_candidate_json(c, request) for c in candidates],
        }
        click.echo(json.dumps(answer, indent=2))
        return
    click.echo(reason, err=True)
    _table(candidates, request)


def _show(found: Found, request: Request) -> None:
    best = found.best
    click.echo(f"n          {best.n}")
    click.echo(f"sign       {_sign(best.beat_sign)}")
    click.echo(f"frequency  {_frequency(best, request) or 'not known without --f-ceo:'} Hz")
    click.echo(f"margin     {exact_text(found.margin_hz)} Hz to where the next one is nearer")
    click.echo(f"evidence   {found.evidence}")
    click.echo("")
    _table(found.candidates, request)


def _table(candidates: Sequence[Candidate], request: Request) -> None:
    if not candidates:
        return
    click.echo(f"{'n':>9}  sign  f_ceo  {'frequency (Hz)':>24}  {'distance (u)':>14}")
    for c in candidates:
        mark = "plausible" if c.plausible else c.note
        click.echo(
            f"{c.n:>9}  {_sign(c.beat_sign):>4}  {_sign(c.ceo_sign):>5}  "
            f"{_frequency(c, request) or '-':>24}  {c.distance_u:>+14.2f}  {mark}".rstrip()
        )
