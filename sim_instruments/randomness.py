"""Seeded random numbers, one independent stream per named thing.

What one instrument draws never depends on what another was asked.
"""

import zlib

import numpy as np


def stream(seed: int, *names: object) -> np.random.Generator:
    """A generator that depends on the seed and on the names only."""
    keys = [zlib.crc32(str(name).encode("utf-8")) for name in names]
    return np.random.default_rng(np.random.SeedSequence([seed & 0xFFFFFFFF, *keys]))
