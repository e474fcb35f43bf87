"""Where the frequency is claimed: height and plane (rules M14, M15)."""

from __future__ import annotations

from fractions import Fraction

from labref.frequency.constants import C_M_PER_S, STANDARD_GRAVITY_M_PER_S2
from labref.frequency.uncertainty import Extra

AT_THE_ATOMS = "at the atoms"
AT_THE_TAP = "at the tap"


def gravity_shift(
    laser_above_reference_m: float, g_m_per_s2: float = STANDARD_GRAVITY_M_PER_S2
) -> float:
    """Fractional amount by which a laser reads high against a reference below it: g H / c^2.

    1.09e-16 per metre. ``laser_above_reference_m``: height of the laser minus that of the
    reference (for UTC: above the geoid); negative where the reference stands higher. Mandatory
    where 'absolute' is claimed below 1e-13 (M14).
    """
    return g_m_per_s2 * laser_above_reference_m / float(C_M_PER_S) ** 2


def height_line(u_height_m: float, g_m_per_s2: float = STANDARD_GRAVITY_M_PER_S2) -> Extra:
    """Budget line of a height known to ``u_height_m`` (one sigma)."""
    return Extra("height", abs(gravity_shift(u_height_m, g_m_per_s2)), fractional=True)


def height_missing(claimed_fractional_u: float, height_declared: bool) -> bool:
    """Whether an absolute claim at this uncertainty lacks the height it needs (M14)."""
    return claimed_fractional_u < 1e-13 and not height_declared


def path_doppler_hz(nu_hz: Fraction, path_speed_m_per_s: float) -> float:
    """Largest shift in Hz by an optical path that changes at this speed: nu v / c.

    1 um/s is 1.4 Hz at 729 nm. ``path_speed_m_per_s``: d(refractive index * length)/dt.
    """
    return float(nu_hz / C_M_PER_S) * abs(path_speed_m_per_s)


def plane(*, noise_cancelled: bool, bound_hz: float | None, moved_by_sequencer: bool) -> str:
    """Name the plane that a result may claim (M15).

    'At the atoms' needs a noise-cancelled path or a declared bound on its Doppler shift, and no
    step on the way that the sequencer moves unseen; everything else is 'at the tap'.
    """
    known = (noise_cancelled or bound_hz is not None) and not moved_by_sequencer
    return AT_THE_ATOMS if known else AT_THE_TAP
