"""One entry of the register, as the lab file has it, and what of it does not fit the lab."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from fractions import Fraction
from typing import Annotated, Any, Literal

from msgspec import field

from labref.config.fields import NotNegative, Number, Positive, Table, Time, needed
from labref.model.exact import exact_text
from labref.model.times import parse_iso
from labref_register.subject import AIR, Subject, subject_of

# A value found that differs by more than this many u from what the lab file uses is refused.
MISMATCH = 3

Problems = Iterable[tuple[tuple[str, ...], str]]


class CalibrationTable(Table, frozen=True, kw_only=True):
    """``[calibrations.NAME]``: one entry of the register. See the package for what ``of`` may be.

    ``value``: what was found; ``u``: its standard uncertainty. ``date`` and ``next``: when it was
    made and when it is due. ``serves``: channels that rest on a sensor of the air. ``weighting``:
    how a counter weighs its gate, instead of value and u.
    """

    of: Annotated[str, needed("what was calibrated, such as channels.NAME or references.NAME")]
    date: Annotated[Time, needed("when it was made, such as '2026-10-01'")]
    next: Annotated[Time, needed("when it is due")]
    author: Annotated[str, needed("who made it")]
    evidence: Annotated[str, needed("against what, and where it is written down")]
    u: Positive | None = None
    value: Number | None = None
    serves: list[str] = field(default_factory=list)
    weighting: Literal["pi", "lambda", "omega"] | None = None
    growth_per_day: NotNegative = Decimal("0.03")
    unknown_after_days: NotNegative = 90

    def check_lab(self, lab: Any) -> Problems:
        """What of it does not fit the lab: (key, what is wrong)."""
        if parse_iso(self.date) >= parse_iso(self.next):
            yield ("next",), "it is due before it was made"
        if self.of.startswith("instruments."):
            yield from self._check_counter(lab)
            return
        if self.weighting is not None:
            yield ("weighting",), "only a counter has one: of = 'instruments.NAME'"
        if self.serves and self.of not in AIR:
            yield ("serves",), f"only a sensor of the air serves channels: of = {' or '.join(AIR)}"
        subject = subject_of(lab, self.of, self.serves)
        if isinstance(subject, str):
            yield ("of",), subject
        elif self.u is None:
            yield ("u",), "is missing: its standard uncertainty, one sigma, in the unit of it"
        else:
            yield from self._check_u(subject)
            yield from self._check_value(subject)

    def _check_counter(self, lab: Any) -> Problems:
        """The weighting found is the one that every channel of the counter declares."""
        name = self.of.removeprefix("instruments.")
        if name not in lab.instruments:
            yield ("of",), f"this file has no instrument {name!r}"
            return
        if self.weighting is None:
            yield ("weighting",), "is missing: pi, lambda or omega, as the test found it"
        for key in ("u", "value", "serves"):
            if getattr(self, key):
                yield (key,), f"{key} has no meaning for the weighting of a counter"
        for channel in fed_by(lab, name):
            if self.weighting not in (None, channel.weighting.value):
                yield (
                    ("weighting",),
                    f"{self.weighting} was found, channels.{channel.name} says "
                    f'{channel.weighting.value}: write weighting = "{self.weighting}" there',
                )

    def _check_u(self, subject: Subject) -> Problems:
        assert self.u is not None
        if subject.own_u is None or subject.own_u >= float(self.u):
            return
        if not subject.u_key:
            what = (
                f"{subject.key} has no uncertainty of its own: declare it as a channel with "
                f"assumed = true, nominal_hz and u = {self.u}, and name that by lo"
            )
        elif self.of in AIR:
            what = f"{subject.u_key} covers {subject.own_u!r} of it, less than was found"
        else:
            what = (
                f"{subject.u_key} is {subject.own_u!r}, less than was found: write {self.u} there"
            )
        yield ("u",), what

    def _check_value(self, subject: Subject) -> Problems:
        """A file that contradicts itself is refused: one of both numbers is wrong (M10)."""
        assert self.u is not None
        if self.value is None:
            return
        if subject.used is None:
            yield ("value",), f"{subject.key} is missing: write {self.value} there"
            return
        off = Fraction(self.value) - subject.used
        if abs(off) <= MISMATCH * Fraction(self.u):
            return
        used = (
            f"{subject.key} = {exact_text(subject.used)} is"
            if subject.key
            else "the sensor's reading is"
        )
        yield (
            ("value",),
            f"{self.value} was found, {used} used: they differ by more than {MISMATCH} u; "
            "correct whichever is wrong",
        )


def fed_by(lab: Any, instrument: str) -> list[Any]:
    """Channels of a counter's inputs: what it reads back or holds has no gate to weigh."""
    fed = [lab.channels[name] for name, feed in lab.feeds.items() if feed[0] == instrument]
    return [channel for channel in fed if channel.hold_ns is None and channel.unit == "Hz"]
