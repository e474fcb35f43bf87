import math
from dataclasses import replace
from fractions import Fraction

import pytest

from labref.frequency.comb import comb_tooth
from labref.frequency.groups import gate_groups, groups_of
from labref.frequency.sensitivity import rows, text
from labref.frequency.uncertainty import Noise
from labref.model.channel import Channel, Loop, Role, Weighting
from labref.model.errors import InputError
from labref.model.reference import Reference

REFERENCES = {
    "maser": Reference("maser", u=1e-13),
    "counter": Reference("counter", u=0.0, parent="maser"),
}
CHANNELS = {
    channel.name: channel
    for channel in (
        Channel("f_rep", Fraction(250_000_000), role=Role.SET, loop=Loop.IN, reference="counter"),
        Channel("f_ceo", Fraction(20_000_000), group="a", sigma=0.5, reference="counter"),
        Channel("beat", Fraction("109776400.4"), group="a", u=0.1, reference="counter"),
        Channel("aom", Fraction(80_000_000), assumed=True),
    )
}
TOOTH = comb_tooth(name="729", n=1_644_168, f_rep="f_rep", f_ceo="f_ceo", beat="beat")


def test_the_rows() -> None:
    table = {row.channel: row for row in rows(TOOTH, CHANNELS, REFERENCES)}
    assert table["f_rep"].enters == "set"
    assert table["f_rep"].loop == "in"
    assert table["f_rep"].coefficient == "1644168"
    assert table["f_rep"].counting_hz == 0
    assert table["f_rep"].hz_per_y == 1_644_168 * 250e6
    assert table["f_ceo"].counting_hz == 0.5
    assert table["f_ceo"].reference == "counter < maser"
    assert math.isnan(table["beat"].counting_hz)
    assert table["beat"].display_hz == pytest.approx(0.1)
    assert table["beat"].nominal == "109776400.4"


def test_it_prints_itself() -> None:
    lines = text(TOOTH, CHANNELS, REFERENCES, Noise(sigma={"beat": 1.0})).splitlines()
    assert lines[0] == "729 = beat + f_ceo + 1644168 f_rep"
    assert lines[1] == "nominal 411042129776400.4 Hz, epoch 1"
    assert lines[2].split() == ["channel", "Hz", "per", "unit", *lines[2].split()[4:]]
    assert "1644168" in lines[5]
    assert "counting 1.1180 Hz, constant 41.1 Hz" in lines[6]
    assert "maser: 41.1" in lines[7]
    unknown = text(TOOTH, CHANNELS, REFERENCES)
    assert "counting unknown Hz" in unknown


def test_an_assumed_channel_without_reference() -> None:
    shifted = TOOTH.plus(comb_tooth(name="x", n=1, f_rep="aom", f_ceo=None, beat="beat", c0=0))
    row = next(row for row in rows(shifted, CHANNELS, REFERENCES) if row.channel == "aom")
    assert (row.enters, row.reference, row.hz_per_y) == ("assumed", "none", 0.0)


def test_a_missing_channel_is_named() -> None:
    with pytest.raises(InputError, match="needs channel 'beat', which is not declared"):
        groups_of(TOOTH, {})


def test_channels_of_one_gate_group() -> None:
    groups = gate_groups(CHANNELS.values())
    assert {name: [c.name for c in members] for name, members in groups.items()} == {
        "f_rep": ["f_rep"],
        "a": ["f_ceo", "beat"],
        "aom": ["aom"],
    }
    assert groups_of(TOOTH, CHANNELS) == ("a",)
    alone = CHANNELS | {"f_rep": replace(CHANNELS["f_rep"], role=Role.MEASURED)}
    assert groups_of(TOOTH, alone) == ("a", "f_rep")
    held = CHANNELS | {"beat": replace(CHANNELS["beat"], group="b", hold_ns=10**10)}
    assert groups_of(TOOTH, held) == ("a",)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"gate_ns": 500}, "differ in gate;"),
        ({"dead_time_ns": 5}, "differ in dead time"),
        ({"weighting": Weighting.LAMBDA}, "differ in weighting"),
    ],
)
def test_a_group_of_different_gates_is_refused(change: dict[str, object], message: str) -> None:
    odd = replace(CHANNELS["beat"], **change)  # type: ignore[arg-type]
    with pytest.raises(InputError, match=message):
        gate_groups([CHANNELS["f_ceo"], odd])
