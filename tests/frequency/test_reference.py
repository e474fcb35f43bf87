from fractions import Fraction

import pytest

from labref.frequency.comb import comb_tooth, f_rep_counted
from labref.frequency.equation import Equation
from labref.frequency.reference import corrected, held, node_sensitivity, reference_sensitivity
from labref.model.channel import Channel, Role
from labref.model.errors import InputError
from labref.model.reference import Reference

REFERENCES = {
    "maser": Reference("maser", u=1e-13, kind="maser"),
    "counter": Reference("counter", u=1e-14, parent="maser"),
    "gnss": Reference("gnss", u=1e-12, y=2e-11),
    "dds": Reference("dds", u=1e-14, parent="gnss", y=-1e-12),
}


def lab() -> tuple[Equation, dict[str, Channel]]:
    f_rep = f_rep_counted("f_rep_counted", harmonic=4, lo="lo")
    nu = comb_tooth(name="nu", n=1_644_168, f_rep=f_rep, f_ceo="f_ceo", beat="beat")
    channels = [
        Channel("f_rep_counted", Fraction(20_000_000), reference="counter"),
        Channel("lo", Fraction(980_000_000), reference="dds", role=Role.SET),
        Channel("f_ceo", Fraction(20_000_000), reference="counter"),
        Channel("beat", Fraction(109_776_400), reference="counter"),
    ]
    return nu, {channel.name: channel for channel in channels}


def test_each_root_has_one_sensitivity_and_the_parts_add_up_to_the_frequency() -> None:
    nu, channels = lab()
    got = reference_sensitivity(nu, channels, REFERENCES)
    assert got == {
        "gnss": 1_644_168 * 980e6 / 4,
        "maser": 1_644_168 * 20e6 / 4 + 20e6 + 109_776_400,
    }
    # No frequency enters without a reference here: together they move the whole frequency.
    assert sum(got.values()) == pytest.approx(float(nu.nominal(channels)), rel=1e-15)


def test_a_child_node_carries_what_hangs_below_it() -> None:
    nu, channels = lab()
    nodes = node_sensitivity(nu, channels, REFERENCES)
    assert nodes["dds"] == nodes["gnss"]
    assert nodes["counter"] == nodes["maser"]


def test_the_sign_a_fast_counter_reads_low_and_a_fast_synthesizer_makes_more() -> None:
    nu, channels = lab()
    y = Fraction(1, 10**9)
    shown = {
        name: channels[name].nominal / (1 + y) if name != "lo" else channels[name].nominal
        for name in channels
    }
    truth = {
        name: shown[name] * (1 + y) if name != "lo" else shown[name] * (1 + 2 * y)
        for name in channels
    }
    error = nu.value(truth) - nu.value(shown)
    s = reference_sensitivity(nu, channels, REFERENCES)
    assert float(error) == pytest.approx(float(y) * s["maser"] + 2 * float(y) * s["gnss"], rel=1e-8)


def test_a_known_offset_is_corrected_exactly_along_the_chain() -> None:
    nu, channels = lab()
    true = corrected(nu, channels, REFERENCES)
    factor = (1 + Fraction(2, 10**11)) * (1 - Fraction(1, 10**12))
    assert true.coefficient("lo") == nu.coefficient("lo") * factor
    assert true.coefficient("beat") == 1
    moved = true.nominal(channels) - nu.nominal(channels)
    assert float(moved) == pytest.approx(1_644_168 * 245e6 * 1.9e-11, rel=1e-9)


def test_41_khz_at_729_nm_for_a_reference_wrong_by_1e_10() -> None:
    nu, channels = lab()
    nodes = reference_sensitivity(nu, channels, REFERENCES)
    assert 1e-10 * sum(nodes.values()) == pytest.approx(41.1e3, rel=1e-3)


def test_a_missing_reference_and_a_missing_channel_are_named() -> None:
    nu, channels = lab()
    with pytest.raises(InputError, match="hangs on reference 'gnss'"):
        reference_sensitivity(nu, channels, {k: v for k, v in REFERENCES.items() if k != "gnss"})
    with pytest.raises(InputError, match="needs channel 'beat'"):
        reference_sensitivity(nu, {"lo": channels["lo"]}, REFERENCES)
    looped = REFERENCES | {"maser": Reference("maser", u=0.0, parent="counter")}
    with pytest.raises(InputError, match="reference loop"):
        reference_sensitivity(nu, channels, looped)


def test_set_and_assumed_channels_are_held_at_their_nominal() -> None:
    nu, channels = lab()
    channels["f_ceo"] = Channel("f_ceo", Fraction(20_000_000), assumed=True)
    assert held([nu], channels) == {"lo", "f_ceo"}
