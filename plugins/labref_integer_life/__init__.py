"""Mode numbers and signs have an end of life, and are renewed by observation only (rule M19).

A laser's integers are void, and its transition unknown, when a lock in its chain dropped, when
nothing was seen for longer than margin / largest credible rate, when the repetition rate moved
its tooth by more than the margin, or when the beat came near 0, f_rep/2, f_ceo, another beat on
its detector or an edge of its filter. They are renewed by a new observation: an independent
frequency witness that began to look after the event, agrees, and can tell the next candidate. A
restart renews nothing: dated evidence of the lab file counts as seen last when it was found.

Every laser on a comb is watched. Optional:

    [integer_life]
    guard_hz = 1e6                     # how near is near
    [integer_life.locks]
    L729 = ["comb_lock", "l729_lock"]  # level witnesses; else its needs of kind "lock"
    [integer_life.filters]
    L729 = [20e6, 90e6]                # edges of the filter before its counter
    [integer_life.detectors]
    D1 = ["L729", "L866"]              # lasers whose beats share a detector
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from labref.hookspecs import hookimpl
from labref_integer_life.chain import chain_of
from labref_integer_life.check import IntegerLifeCheck
from labref_integer_life.table import IntegerLifeTable

__all__ = ["IntegerLifeCheck", "IntegerLifeTable"]


@hookimpl
def register_tables() -> Mapping[str, Any]:
    """The table ``[integer_life]``."""
    return {"integer_life": IntegerLifeTable}


@hookimpl
def register_checks(lab: Any) -> Iterable[IntegerLifeCheck]:
    """One check for each transition whose laser is counted on a comb."""
    table = lab.tables.get("integer_life", IntegerLifeTable())
    return [
        IntegerLifeCheck(transition.name, chain_of(transition, lab, table))
        for transition in lab.transitions.values()
        if transition.integers and transition.laser in lab.teeth
    ]
