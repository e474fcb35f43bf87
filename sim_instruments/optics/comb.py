"""A frequency comb whose two degrees of freedom are locked to a reference."""

from fractions import Fraction
from typing import Protocol

from sim_instruments.optics.grid import Grid, Series, Steps
from sim_instruments.optics.history import History
from sim_instruments.optics.powerlaw import NoiseSource, PowerLaw
from sim_instruments.optics.quantity import Quantity, combine
from sim_instruments.optics.source import Fractional
from sim_instruments.optics.voltage import Push
from sim_instruments.randomness import stream


class _Scaled:
    """A set value locked to a reference, with the residual noise of the lock in Hz.

    ``by_hand``: how far somebody has turned the set value since, Hz.
    """

    def __init__(
        self,
        nominal: Fraction,
        clock: Fractional,
        residual: Series | None,
        by_hand: History | None = None,
    ) -> None:
        self._nominal = nominal
        self._clock = clock
        self._residual = residual
        self._by_hand = by_hand

    @property
    def nominal(self) -> Fraction:
        return self._nominal

    def offsets(self, first: int, last: int) -> Steps:
        offsets = float(self._nominal) * self._clock.fractional(first, last)
        if self._residual is not None:
            offsets = offsets + self._residual.steps(first, last)
        if self._by_hand is not None and self._by_hand.is_touched:
            offsets = offsets + self._by_hand.steps(first, last)
        return offsets


class Comb(Protocol):
    """Repetition rate, carrier-envelope offset and its sign; what is turned by hand, Hz."""

    f_rep: Quantity
    f_ceo: Quantity
    ceo_sign: int
    f_rep_by_hand: History
    f_ceo_by_hand: History


class RfComb:
    """Both degrees of freedom locked to a radio-frequency reference.

    In-loop counts of f_rep and f_ceo then read their set-points on the same reference; the
    teeth carry the reference's fractional error, multiplied up to the optical frequency.

    Args:
        residual_h2: level ``h2`` of the white phase noise that the lock of f_rep leaves
            (frequency noise ``h2 f^2`` in Hz^2/Hz); the lock of f_ceo leaves 1e6 times that.
    """

    def __init__(
        self,
        f_rep: Fraction,
        f_ceo: Fraction,
        ceo_sign: int,
        reference: Fractional,
        grid: Grid,
        seed: int,
        residual_h2: float = 1e-13,
    ) -> None:
        law = PowerLaw(h2=residual_h2)
        self.f_rep_by_hand, self.f_ceo_by_hand = History(grid), History(grid)
        residual = _series(law, grid, seed, "f_rep")
        self.f_rep: Quantity = _Scaled(f_rep, reference, residual, self.f_rep_by_hand)
        loose = _series(PowerLaw(h2=residual_h2 * 1e6), grid, seed, "f_ceo")
        self.f_ceo: Quantity = _Scaled(f_ceo, reference, loose, self.f_ceo_by_hand)
        self.ceo_sign = ceo_sign


class OpticalComb:
    """f_rep locked by a beat with a laser: the teeth carry that laser's fractional error.

    ``f_rep = (nu - ceo_sign * f_ceo - beat_sign * f_beat) / n``; the beat's set value and
    f_ceo stay on the radio-frequency reference.
    """

    def __init__(
        self,
        laser: Quantity,
        mode: int,
        f_ceo: Fraction,
        ceo_sign: int,
        beat_set: tuple[int, Fraction],
        reference: Fractional,
        grid: Grid,
        seed: int,
    ) -> None:
        beat_sign, beat_hz = beat_set
        law = PowerLaw(h2=1e-8)
        self.f_rep_by_hand, self.f_ceo_by_hand = History(grid), History(grid)
        residual = _series(law, grid, seed, "f_ceo")
        self.f_ceo: Quantity = _Scaled(f_ceo, reference, residual, self.f_ceo_by_hand)
        beat = _Scaled(beat_hz, reference, _series(law, grid, seed, "f_lock"))
        self.f_rep: Quantity = combine(
            [
                (Fraction(1, mode), laser),
                (Fraction(-ceo_sign, mode), self.f_ceo),
                (Fraction(-beat_sign, mode), beat),
                (1, Push(self.f_rep_by_hand)),
            ]
        )
        self.ceo_sign = ceo_sign


def _series(law: PowerLaw, grid: Grid, seed: int, name: str) -> Series:
    return Series(NoiseSource(law, grid.step_s, stream(seed, "lock", name)).take)


def tooth(comb: Comb, mode: int, ceo_factor: int = 1) -> Quantity:
    """``mode * f_rep + ceo_factor * ceo_sign * f_ceo``, Hz."""
    return combine([(mode, comb.f_rep), (ceo_factor * comb.ceo_sign, comb.f_ceo)])


def nearest_mode(comb: Comb, nu: Fraction, ceo_factor: int = 1) -> int:
    """Number of the tooth nearest to an optical frequency."""
    return round((nu - ceo_factor * comb.ceo_sign * comb.f_ceo.nominal) / comb.f_rep.nominal)
