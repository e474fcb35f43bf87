"""On what a good verdict leans (M1, M2, M4, M10)."""

from __future__ import annotations

import math
from typing import Any

import pytest

from labref.model.errors import LabFileError
from labref.model.verdict import State
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab

CLOCK = "clock729"
QUIET: dict[str, Any] = {"f_rep": [0.0], "f_ceo": [0.0], "beat": [0.0], "wm": [0.0]}
IN_LOOP = ('kind = "', 'loop = "in"\nkind = "')
POWER = (
    "[instruments.bench]",
    '[channels.power]\nnominal = 1\nunit = "mW"\ninstrument = "bench"\ninput = 9\n'
    '[witnesses.power729]\nchannel = "power"\nlimits = [-0.2, 0.2]\n[instruments.bench]',
)
NEEDS_POWER = ('unwatched = ["noise"]', 'needs = ["power729"]')


def all_in_loop() -> tuple[tuple[str, str], ...]:
    """Every radio frequency of the comb equation locked to the reference that counts it."""
    beat = ("[channels.beat]", '[channels.beat]\nloop = "in"')
    return (
        ('kind = "repetition rate"', 'kind = "repetition rate"\nloop = "in"'),
        ('kind = "carrier-envelope offset"', 'kind = "carrier-envelope offset"\nloop = "in"'),
        beat,
    )


def test_rule_M1_in_loop_readings_are_asserted_and_lean_on_the_witness() -> None:
    bench = MemoryBench(comb_lab(*all_in_loop()))
    assert bench.lab.transitions[CLOCK].asserted
    verdict = bench.run(QUIET).verdict(CLOCK)
    assert verdict.state is State.GOOD
    assert verdict.leans_on == ("wm729",)
    assert bench.run({**QUIET, "wm": [math.nan]}).is_good(CLOCK) is None


def test_rule_M1_asserted_without_a_witness_is_an_error_of_the_lab_file() -> None:
    text = comb_lab(*all_in_loop(), ('witnesses = ["wm729"]\n', ""))
    with pytest.raises(LabFileError, match="witness"):
        MemoryBench(text)


def test_rule_M2_a_wavemeter_calibrated_by_this_comb_does_not_vouch_for_it() -> None:
    text = comb_lab(('calibrated_by = "an iodine line"', 'calibrated_by = "main"'))
    with pytest.raises(LabFileError, match=r"combs\.main"):
        MemoryBench(text)


def test_rule_M4_a_need_out_of_its_limits_is_bad_and_a_silent_one_unknown() -> None:
    bench = MemoryBench(comb_lab(POWER, NEEDS_POWER))
    assert bench.run({**QUIET, "power": [0.0]}).is_good(CLOCK) is True
    verdict = bench.run({**QUIET, "power": [0.5]}).verdict(CLOCK)
    assert verdict.state is State.BAD
    assert "power729 out of its limits" in verdict.reason
    assert bench.run({**QUIET, "power": [math.nan]}).is_good(CLOCK) is None


def test_rule_M22_what_a_reference_needs_makes_the_light_unknown_not_bad() -> None:
    needs = ("u = 1e-13\n", 'u = 1e-13\nneeds = ["power729"]\n')
    assert MemoryBench(comb_lab(POWER, needs)).run({**QUIET, "power": [0.0]}).is_good(CLOCK)
    verdict = MemoryBench(comb_lab(POWER, needs)).run({**QUIET, "power": [0.5]}).verdict(CLOCK)
    assert verdict.state is State.UNKNOWN
    assert "power729 out of its limits" in verdict.reason


@pytest.mark.parametrize(("outside", "state"), [("bad", State.BAD), ("unknown", State.UNKNOWN)])
def test_rule_M9_signal_to_noise_makes_a_reading_doubtful_power_makes_light_bad(
    outside: str, state: State
) -> None:
    says = ("limits = [-0.2, 0.2]", f'limits = [-0.2, 0.2]\noutside = "{outside}"')
    bench = MemoryBench(comb_lab(POWER, NEEDS_POWER, says))
    assert bench.run({**QUIET, "power": [0.1]}).is_good(CLOCK) is True
    assert bench.run({**QUIET, "power": [0.5]}).verdict(CLOCK).state is state


def test_rule_M10_a_set_term_that_reads_otherwise_makes_the_result_unknown() -> None:
    bench = MemoryBench(
        comb_lab(('kind = "carrier-envelope offset"', 'kind = "f_ceo"\nrole = "set"'))
    )
    assert bench.run({**QUIET, "f_ceo": [0.29]}).is_good(CLOCK) is True
    # The nominal enters, not the reading.
    assert bench.session.status.standings[CLOCK].detuning_hz == 0.0
    verdict = bench.run({**QUIET, "f_ceo": [0.31]}).verdict(CLOCK)
    assert verdict.state is State.UNKNOWN
    assert "set value f_ceo reads otherwise" in verdict.reason


def test_two_witnesses_one_may_be_silent_none_may_disagree() -> None:
    second = (
        "[witnesses.wm729]",
        "[channels.wm2]\nnominal_hz = 411042129776400\nu = 3e6\nsigma = 1e6\n"
        'instrument = "bench"\ninput = 8\n'
        '[witnesses.second]\nkind = "frequency"\nchannel = "wm2"\nlaser = "l729"\nwithin = 30e6\n'
        'calibrated_by = "a neon lamp"\n[witnesses.wm729]',
    )
    both = ('witnesses = ["wm729"]', 'witnesses = ["wm729", "second"]')
    bench = MemoryBench(comb_lab(second, both))
    assert bench.run({**QUIET, "wm2": [math.nan]}).is_good(CLOCK) is True
    assert bench.run({**QUIET, "wm2": [-40e6]}).is_good(CLOCK) is None
    assert bench.run({**QUIET, "wm": [math.nan], "wm2": [0.0]}).is_good(CLOCK) is True
    assert bench.run({**QUIET, "wm": [math.nan], "wm2": [math.nan]}).is_good(CLOCK) is None
