"""Lab files for tests of the pass: invented numbers, every channel fed by hand."""

from __future__ import annotations

COMB_LAB = """labref = 1
title = "An invented comb for tests"

[references.maser]
u = 1e-13

[channels.f_rep]
nominal_hz = 250000000
kind = "repetition rate"
reference = "maser"
group = "counter"
sigma = 1e-5
{feed}

[channels.f_ceo]
nominal_hz = 20000000
kind = "carrier-envelope offset"
reference = "maser"
group = "counter"
sigma = 0.1
{feed}

[channels.beat]
nominal_hz = 109776400
reference = "maser"
group = "counter"
sigma = 1
{feed}

[channels.wm]
nominal_hz = 411042129776400
kind = "wavemeter"
group = "wavemeter"
u = 3e6
sigma = 1e6
{feed}

[combs.main]
f_rep = "f_rep"
f_ceo = "f_ceo"

[lasers.l729]
comb = "main"
n = 1644168
beat = "beat"
sign = "+"

[lasers.l729.evidence]
found = "2026-11-01T00:00:00Z"
by = "invented"
method = "wavemeter"

[witnesses.wm729]
kind = "frequency"
channel = "wm"
laser = "l729"
within = 30e6
calibrated_by = "an iodine line"
max_age_s = 3

[transitions.clock729]
laser = "l729"
target_hz = 411042129776400
target_u_hz = 0.5
tolerance_hz = 2000
witnesses = ["wm729"]
unwatched = ["noise"]

[instruments.bench]
address = "memory"
dialect = "by hand"
"""


def comb_lab(*changes: tuple[str, str]) -> str:
    """Return the comb lab as text, after replacing each (old, new); ``old`` must be there."""
    text = COMB_LAB
    for old, new in changes:
        if old not in text:
            raise ValueError(f"{old!r} is not in the lab text")
        text = text.replace(old, new)
    for number in range(1, 5):
        text = text.replace("{feed}", f'instrument = "bench"\ninput = {number}', 1)
    return text
