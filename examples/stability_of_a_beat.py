"""How stable was the clock laser last night? An invented beat at 729 nm, six hours at 10 Hz.

The beat is counted out of loop; the counter lost lock twice. Run it anywhere:

    python examples/stability_of_a_beat.py
"""

import numpy as np

from labref.stability.deviations import mdev, oadev
from labref.stability.drift import fit_drift
from labref.stability.jumps import find_jumps
from labref.stability.masks import from_points, judge
from labref.stability.series import make_series

NOMINAL_HZ = 411_042_129_776_400  # 40Ca+ S1/2-D5/2, exact nominal of the beat's laser

# Invented: 0.6 Hz of white FM at one gate, a cavity that creeps by 0.05 Hz/s, two holes.
rng = np.random.default_rng(729)
offset_hz = 0.6 * rng.standard_normal(6 * 3600 * 10)
offset_hz += 0.05 * 0.1 * np.arange(len(offset_hz))
offset_hz[40_000:40_300] = np.nan
offset_hz[150_000:150_020] = np.nan

beat = make_series(
    offset_hz, rate_hz=10, data="offset", nominal_hz=NOMINAL_HZ, name="beat729", loop="out"
)

drift = fit_drift(beat)
print(f"drift {drift.rate_per_s * NOMINAL_HZ:.4f} +- {drift.u_rate_per_s * NOMINAL_HZ:.1e} Hz/s")
print(f"jumps: {len(find_jumps(drift.residual))}")

result = oadev(drift.residual, gaps="pairs", confidence=0.95)
print(f"{result.title}; {result.gaps}")
for tau, value, low, high, noise in zip(
    result.tau_s, result.deviation, result.lower, result.upper, result.noise, strict=True
):
    print(f"{tau:8.1f} s  {value:.3e}  ({low:.3e} ... {high:.3e})  {noise}")

# A 1 ms probe needs the laser to stay within 1e-15 at 10 s: met, missed, or cannot tell?
need = from_points("729 probe", "mdev", [(10.0, 1e-15)], source="invented need")
verdict = judge(mdev(drift.residual, gaps="pairs", taus=[10.0, 100.0], confidence=0.95), need)
print(f"{need.name}: {verdict.overall.word} ({verdict.note})")
