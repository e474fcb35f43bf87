"""A channel's declared correction: exact wherever it is read, in the budget, known to M2, dated."""

from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path

import pytest

from labref.config.lab import parse_lab
from labref.model.errors import LabFileError
from labref.model.times import NS_PER_S, parse_iso
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab

OWN = """
[channels.warm]
nominal = 20
unit = "degree C"
kind = "temperature"
u = 0.5
sigma = 0.01
hold_s = 60
instrument = "bench"
input = 9

[channels.wm.correction]
hz = 2500000.25
u_hz = 4e6
hz_per_degree = 400000
temperature = "warm"
at_degree = 21.5
calibrated_by = "an iodine line"
valid_from = "2026-11-24T00:00:00Z"
valid_until = "2026-11-25T00:00:10Z"
source = "notebook 12, page 40"
"""
SEEN = """
[lasers.shown]
channel = "wm"

[transitions.seen]
laser = "shown"
target_hz = 411042129776400
target_u_hz = 1e5
tolerance_hz = 80e6
needs = ["level"]
unwatched = ["noise"]

[channels.light]
nominal = 1
unit = "V"
instrument = "bench"
input = 10

[witnesses.level]
kind = "level"
channel = "light"
limits = [-0.5, 0.5]
"""


def test_it_is_exact_in_the_laser_and_in_the_witness_that_read_the_channel() -> None:
    lab = parse_lab(comb_lab() + OWN + SEEN)
    name = "wm.correction"
    terms = {"wm": Fraction(1), name: Fraction(-1), "warm": Fraction(-400000)}
    witness = lab.witnesses["wm729"].equation
    assert witness is not None
    for equation in (lab.lasers["shown"].equation, witness):
        assert dict(equation.terms) == terms
        assert equation.constant == 400000 * Fraction("21.5")
    assert lab.channels[name].nominal == Fraction("2500000.25")
    # nu = wm - 2500000.25 - 400000 (20 - 21.5)
    expected = Fraction(411042129776400) - Fraction("2500000.25") + 600000
    assert lab.transitions["seen"].nominal_hz == expected


def test_its_uncertainty_stands_in_the_budget_and_in_the_witness() -> None:
    lab = parse_lab(comb_lab() + OWN + SEEN)
    lines = {line.source: abs(line.hz) for line in lab.transitions["seen"].budget.lines}
    assert lines["wm.correction (display)"] == pytest.approx(4e6)
    assert lines["wm (display)"] == pytest.approx(3e6)
    assert lines["warm (display)"] == pytest.approx(0.5 * 400000)
    assert lab.witnesses["wm729"].u_hz == pytest.approx(math.hypot(4e6, 3e6, 0.5 * 400000))


def test_found_against_this_comb_the_channel_vouches_no_more_for_its_tooth() -> None:
    changed = OWN.replace('calibrated_by = "an iodine line"', 'calibrated_by = "combs.main"')
    with pytest.raises(LabFileError, match=r"witnesses\.wm729 -> .*channels\.wm.*combs\.main"):
        parse_lab(comb_lab() + changed)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("hz = 2500000.25\n", "", "channels.wm.correction: 'hz' is missing"),
        ('calibrated_by = "an iodine line"\n', "", "'calibrated_by' is missing: what it was found"),
        ('temperature = "warm"\n', "", "channels.wm.correction: hz_per_degree and temperature"),
        ("hold_s = 60\n", "", "channel 'warm' needs hold_s: how long its last value stands"),
        ("u = 0.5\n", "", "channels.warm: 'reference' is missing"),
        ("T00:00:10Z", "T00:00:10", ""),
        ("2026-11-25T00:00:10Z", "2026-11-23", "2026-11-23 is not after valid_from"),
        ("[channels.wm.correction]", "[channels.warm.correction]", "a value in degree C has no"),
    ],
)
def test_mistakes_are_named(old: str, new: str, said: str) -> None:
    text = comb_lab() + OWN.replace(old, new, 1) + SEEN
    if not said:  # a time without a zone is UTC
        assert parse_lab(text).corrections["channels.wm"].valid_until == "2026-11-25T00:00:10"
        return
    with pytest.raises(LabFileError) as error:
        parse_lab(text)
    assert said in str(error.value)


def test_two_corrections_of_one_display_are_refused() -> None:
    second = "\n[witnesses.wm729.correction]\nhz = 1\nu_hz = 1\n"
    with pytest.raises(LabFileError, match="has a correction of its own: keep one of them"):
        parse_lab(comb_lab() + OWN + second)


GOOD = {"f_rep": [0.0], "f_ceo": [0.0], "beat": [0.0], "light": [0.0], "warm": [0.0]}


def test_outside_its_validity_nothing_is_known() -> None:
    """From 2026-11-25T00:00:00Z, gates of 1 s; valid until ten seconds later."""
    bench = MemoryBench(comb_lab() + OWN + SEEN, plugins=("tolerance", "evidence", "register"))
    status = bench.session.status
    for second in range(12):
        # Far outside at the end: still unknown, for the frequency itself is not known.
        status = bench.run({**GOOD, "wm": [0.0 if second < 10 else 5e9]})
        if second == 9:
            assert (status.is_good("clock729"), status.is_good("seen")) == (True, True)
    assert bench.clock.now_ns() > parse_iso("2026-11-25T00:00:10Z") + NS_PER_S
    assert status.is_good("seen") is None
    reason = status.verdict("seen").reason
    assert "correction of channels.wm is valid only until 2026-11-25T00:00:10Z" in reason
    early = MemoryBench(
        comb_lab() + OWN + SEEN, plugins=("tolerance", "evidence", "register"),
        start_ns=parse_iso("2026-11-23T12:00:00Z"),
    )  # fmt: skip
    status = early.run({**GOOD, "wm": [0.0]})
    assert (status.is_good("clock729"), status.is_good("seen")) == (None, None)
    assert "valid only from 2026-11-24T00:00:00Z" in status.verdict("clock729").reason


ROOM = """
[channels.room]
nominal = 21
unit = "degree C"
kind = "temperature"
u = 0.2
sigma = 0.01
hold_s = 60
instrument = "wavemeter"
input = 9
"""


def test_the_table_of_the_readme_loads_and_means_what_it_says() -> None:
    root = Path(__file__).parents[2]
    readme = (root / "README.md").read_text("utf-8")
    table = (
        "[channels.wavemeter_729.correction]"
        + readme.split("[channels.wavemeter_729.correction]")[1].split("```")[0]
    )
    text = (root / "examples" / "ca_ion_lab.toml").read_text("utf-8") + ROOM + table
    with pytest.raises(LabFileError, match=r"wavemeter_at_729.*combs\.comb_a"):
        parse_lab(text)
    elsewhere = text.replace('"combs.comb_a"', '"an iodine line"')
    assert "channels.wavemeter_729" in parse_lab(elsewhere).corrections
