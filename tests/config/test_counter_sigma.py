"""The counter's own noise: declared per channel, gathered per transition, part of the scatter."""

from __future__ import annotations

import pytest

from labref.config.lab import parse_lab
from labref.model.errors import LabFileError
from labref.session.recording import counter_of, layout_of
from labref.testing.labs import comb_lab

BEAT = ('group = "counter"\nsigma = 1\n', 'group = "counter"\nsigma = 1\ncounter_sigma = 0.5\n')
CEO = ("sigma = 0.1\n", "sigma = 0.1\ncounter_sigma = 0.1\n")


def test_it_goes_into_the_trace_all_channels_in_quadrature() -> None:
    lab = parse_lab(comb_lab(BEAT, CEO))
    (column,) = layout_of(lab).transitions
    assert column.attributes["counter_hz"] == pytest.approx((0.5**2 + 0.1**2) ** 0.5)
    (plain,) = layout_of(parse_lab(comb_lab())).transitions
    assert plain.attributes["counter_hz"] == 0.0


def test_the_mean_of_many_gates_has_no_more_than_an_nth_of_it() -> None:
    fast = ("sigma = 1\n", "sigma = 1\ncounter_sigma = 0.5\ngate_s = 0.0001\n")
    others = [(f"sigma = {s}\n", f"sigma = {s}\ngate_s = 0.0001\n") for s in ("1e-5", "0.1")]
    lab = parse_lab(comb_lab(fast, *others))
    assert lab.channels["beat"].mean_of == 10
    assert counter_of(lab.transitions["clock729"], lab.channels) == pytest.approx(0.05)


@pytest.mark.parametrize(
    ("value", "said"),
    [
        ("1.5", "channels.beat.counter_sigma: 1.5 is larger than sigma = 1: it is a part of it"),
        ("-1", "channels.beat.counter_sigma: -1 must not be negative"),
    ],
)
def test_mistakes_are_named(value: str, said: str) -> None:
    with pytest.raises(LabFileError) as error:
        parse_lab(comb_lab((BEAT[0], BEAT[1].replace("0.5", value))))
    assert said in str(error.value)
