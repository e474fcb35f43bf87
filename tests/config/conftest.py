"""A small comb laboratory as text, and what loading an edited copy of it says."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from labref.config.lab import Lab, parse_lab
from labref.model.errors import LabFileError

SMALL_LAB = """\
labref = 1
title = "small comb lab"

[references.maser]
u = 1e-13
checked = "2026-01-01"

[channels.f_rep]
kind = "f_rep"
nominal_hz = 250000000
loop = "in"
reference = "maser"
sigma = 0.0001

[channels.f_ceo]
nominal_hz = 20000000
loop = "in"
reference = "maser"
sigma = 0.5

[channels.beat]
nominal_hz = 30000000
reference = "maser"
sigma = 1
loop = "free"
[channels.wavemeter]
kind = "wavemeter"
nominal_hz = 411042050000000
u = 5e6
sigma = 1e6

[logs.night]
columns = { f_rep = 1, f_ceo = 2, beat = 3, wavemeter = 4 }
gate_s = 1
start = "2026-11-24T20:00:00Z"
[combs.main]
f_rep = "f_rep"
f_ceo = "f_ceo"

[lasers.clock]
comb = "main"
n = 1644168
beat = "beat"

[witnesses.coarse]
kind = "frequency"
laser = "clock"
channel = "wavemeter"
within = 10e6
calibrated_by = "neon lamp"

[transitions.clock729]
laser = "clock"
path = [{ aom_hz = 80e6, reference = "maser" }]
target_hz = 411042130000000
target_u_hz = 0.5
tolerance_hz = 1e4
witnesses = ["coarse"]
"""

Edit = tuple[str, str]


def edited(*edits: Edit, text: str = SMALL_LAB) -> str:
    """Return ``text`` with each (old, new) replaced; old must be there exactly once."""
    for old, new in edits:
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in the text"
        text = text.replace(old, new)
    return text


@pytest.fixture
def small_lab() -> str:
    return SMALL_LAB


@pytest.fixture
def edit() -> Callable[..., str]:
    return edited


@pytest.fixture
def lab() -> Callable[..., Lab]:
    """Load the small lab with edits."""
    return lambda *edits, text=SMALL_LAB: parse_lab(edited(*edits, text=text), "lab.toml")


@pytest.fixture
def problems() -> Callable[..., list[str]]:
    """Load the small lab with edits, which must fail: its messages, one per line."""

    def load(*edits: Edit, text: str = SMALL_LAB) -> list[str]:
        with pytest.raises(LabFileError) as caught:
            parse_lab(edited(*edits, text=text), "lab.toml")
        return str(caught.value).splitlines()

    return load


@pytest.fixture
def warnings() -> Callable[..., list[str]]:
    """Load the small lab with edits: its warnings, one per line."""

    def load(*edits: Edit, text: str = SMALL_LAB) -> list[str]:
        return [w.text("lab.toml") for w in parse_lab(edited(*edits, text=text)).warnings]

    return load


@pytest.fixture
def line_of() -> Callable[..., int]:
    """Line (from 1) of the one line that contains a text."""

    def find(needle: str, text: str = SMALL_LAB) -> int:
        hits = [i for i, line in enumerate(text.splitlines(), 1) if needle in line]
        assert len(hits) == 1, (needle, hits)
        return hits[0]

    return find
