"""Constants of nature as this package uses them.

Exact: SI 2019. Others: CODATA 2018 (values from memory), with the uncertainty beside them.
"""

from __future__ import annotations

from fractions import Fraction

C_M_PER_S = Fraction(299_792_458)
"""Speed of light in vacuum, exact."""

H_J_S = Fraction(662_607_015, 10**42)
"""Planck constant, exact."""

MU_B_HZ_PER_T = 13_996_244_936.1
"""Bohr magneton over h; u = 4.2 Hz/T."""

MU_N_HZ_PER_T = 7_622_593.2285
"""Nuclear magneton over h; u = 0.0047 Hz/T."""

G_ELECTRON = 2.002_319_304_362_56
"""g-factor of the electron, positive here: energies rise with m."""

STANDARD_GRAVITY_M_PER_S2 = 9.80665
"""Conventional value; the local one differs by up to 0.3 %."""
