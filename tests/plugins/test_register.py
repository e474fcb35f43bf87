"""The calibration register: u in date, grown when overdue, then unknown."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

import labref_register
from labref.model.errors import LabFileError
from labref.model.times import NS_PER_DAY
from labref.testing import START_NS, MemoryBench
from labref.testing.labs import comb_lab

ENTRY = """
[calibrations.{name}]
of = "{of}"
u = {u}
date = "2026-05-01"
next = "2026-11-25"
author = "A. Person"
evidence = "against a line, notebook 12"
"""
GOOD: dict[str, Any] = {"f_rep": [0.0], "f_ceo": [0.0], "beat": [0.0], "wm": [0.0]}


def bench(of: str, u: str, days: float) -> MemoryBench:
    text = comb_lab() + ENTRY.format(name="one", of=of, u=u)
    start = START_NS + round(days * NS_PER_DAY)
    return MemoryBench(
        text,
        plugins=("tolerance", "evidence"),
        extra=[("register of tests", labref_register)],
        start_ns=start,
    )


def u_hz(b: MemoryBench) -> float:
    b.run(GOOD)
    return float(np.max(b.session.newest("clock729").frequencies.constant_hz))  # type: ignore[union-attr]


def test_overdue_u_grows_by_the_stated_share_and_then_it_is_unknown() -> None:
    in_date = u_hz(bench("references.maser", "1e-13", -1))
    assert in_date == pytest.approx(np.hypot(41.1042, 0.5), rel=1e-3)
    # 30 days at 3 % a day: 1.9 times the reference's part.
    assert u_hz(bench("references.maser", "1e-13", 30)) == pytest.approx(
        np.hypot(1.9 * 41.1042, 0.5), rel=1e-3
    )
    b = bench("references.maser", "1e-13", 91)
    b.run(GOOD)
    assert b.session.status.is_good("clock729") is None
    assert "overdue since 2026-11-25" in b.session.status.verdict("clock729").reason


def test_a_witness_past_its_time_vouches_no_more() -> None:
    b = bench("channels.wm", "3e6", 89)
    b.run(GOOD)
    assert b.session.status.is_good("clock729") is True
    b = bench("channels.wm", "3e6", 91)
    b.run(GOOD)
    assert b.session.status.is_good("clock729") is None


@pytest.mark.parametrize(
    ("of", "u", "message"),
    [
        ("channels.nobody", "1", "no channel or reference"),
        ("references.maser", "1e-12", "less than was found"),
    ],
)
def test_what_does_not_fit_the_lab_is_an_error_of_the_lab_file(
    of: str, u: str, message: str
) -> None:
    with pytest.raises(LabFileError, match=message):
        bench(of, u, 0)
