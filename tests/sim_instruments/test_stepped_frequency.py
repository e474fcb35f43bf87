"""A counter's own weighting is found from steps of a frequency that it counts (M20).

Two codes that share nothing: the simulated counter weighs its gates by its own arithmetic, the test
of the register knows only readings and moments.
"""

from decimal import Decimal

import numpy as np
import pytest

from labref_register.stepping import Gates, schedule, steps_of
from labref_register.weighting import weigh

F_CEO = Decimal(37250000)
INPUT = 2


def stepped(bench, weighting, size=1000.0, steps=12):
    """Readings of f_ceo at gates of 1 s, moved by hand at moments that are noted."""
    bench.write("counter", f"*RST;FREQ:APER 1;WEIG {weighting};GAPL ON;:CONF:FREQ (@{INPUT})")
    bench.write("counter", "INIT:CONT ON")
    begin = bench.now_ns
    moments = schedule(begin, 10**9, steps)
    comb = bench.lab.world.comb
    for number, moment in enumerate(moments):
        bench.advance((moment - bench.now_ns) * 1e-9)
        comb.f_ceo_by_hand.set(size * ((number + 1) % 2), bench.now_ns)
    bench.advance(12.0)
    count = int(bench.ask("counter", "DATA:POIN?"))
    texts = bench.ask("counter", f"DATA:REM? {count}").split(",")
    offset = np.array([float(Decimal(text) - F_CEO) for text in texts])
    starts = begin + 10**9 * np.arange(count, dtype=np.int64)
    return Gates(starts, starts + 10**9, offset, np.ones(count, bool)), moments


@pytest.mark.parametrize(
    ("command", "weighting"), [("PI", "pi"), ("LAMB", "lambda"), ("OMEG", "omega")]
)
def test_rule_M20_the_simulated_counters_weighting_is_found(tools, command, weighting):
    bench = tools.Bench(tools.reference_tables(counter=tools.counter_row()), seconds=200.0)
    gates, moments = stepped(bench, command)
    # A knob takes effect at the next step of 10 ms.
    found = weigh(steps_of(gates, moments, u_moment_s=0.003))
    assert (found.shape.weighting, found.shape.base) == (weighting, 1)
    assert abs(found.fit.delay) < 0.012
    assert found.apart > 100
