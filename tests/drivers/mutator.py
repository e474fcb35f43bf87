"""A seeded mutator: replies that are nearly right, as broken links make them."""

from __future__ import annotations

import random
from collections.abc import Iterator

_SPICE = [
    b"", b"\n", b"\r", b"\x00", b"\xff", b",", b";", b'"', b"#", b"*", b"$", b"-", b"+", b".",
    b"e", b"E99", b"E+999", b"9.9E37", b"9.91E37", b"nan", b"inf", b" ", b"1_0", b"\xd9\xa1",
    b"0" * 40, b"#0", b"#9999999999", b"*00", b"Hz", b"MHz", b"V",
]  # fmt: skip


def mutated(seeds: list[bytes], count: int, seed: int) -> Iterator[bytes]:
    """Yield ``count`` mutations of ``seeds``: bytes changed, cut, repeated, swapped, spliced."""
    generator = random.Random(seed)
    for _ in range(count):
        data = bytearray(generator.choice(seeds))
        for _ in range(generator.choice((0, 1, 1, 1, 2, 3))):
            _mutate(data, generator, seeds)
        yield bytes(data)


def _mutate(data: bytearray, generator: random.Random, seeds: list[bytes]) -> None:
    at = generator.randrange(len(data) + 1)
    kind = generator.randrange(7)
    if kind == 0 and at < len(data):
        data[at] = generator.randrange(256)
    elif kind == 1:
        del data[at : at + generator.randrange(1, 6)]
    elif kind == 2:
        data[at:at] = generator.choice(_SPICE)
    elif kind == 3:
        data[at:] = data[:at]
    elif kind == 4:
        data[at:] = generator.choice(seeds)[at:]
    elif kind == 5 and at < len(data):
        data[at] ^= 1 << generator.randrange(8)
    elif kind == 6:
        data.reverse()
