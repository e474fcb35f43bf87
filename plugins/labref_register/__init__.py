"""The calibration register: what was compared with what, by whom, until when it may be believed.

    [calibrations.wavemeter_729]
    of = "channels.wavemeter_729"       # what was calibrated, see below
    value = 2e5                         # what was found
    u = 3e6                             # as found, one sigma, in the unit of what it is of
    date = "2026-10-01"
    next = "2027-04-01"
    author = "A. Person"
    evidence = "against the iodine line R(127) 11-5, notebook 12, page 40"

``of`` and what ``value`` is then:

    channels.NAME                       what it shows minus what is true; of an assumed channel
                                        its value itself
    references.NAME                     its fractional offset y
    references.NAME.height_m            the height of a root above the geoid, in metres
    transitions.NAME.path.0.aom_hz      the frequency of a shifter that is typed in (eom_hz alike)
    combs.NAME.f_rep.lo_hz              a typed local oscillator (of any counted quantity)
    air.temperature, .pressure,         a sensor of the air by which a wavemeter corrects itself:
    .humidity                           shown minus true, in K, Pa or 1; ``serves`` lists channels
    instruments.NAME                    ``weighting`` = "pi", "lambda" or "omega" instead of value
                                        and u: how the counter weighs its gate
                                        (`labref weighting` finds it)

A ``value`` that differs by more than 3 u from what the lab file uses is an error of the lab file,
and so is a ``u`` that is larger than the lab file's own. While a calibration is in date its u is
that of the budget. Overdue, u grows by ``growth_per_day`` of itself a day, through whatever leans
on it: a reference's y by the sensitivity to it, a height by 1.09e-16 a metre of that, a sensor of
the air by the index (Ciddor 1996), a shifter or local oscillator by its weight in the equation.
After ``unknown_after_days`` more, what leans on it is unknown. What only a witness leans on does
not widen the light's own frequency: the witness vouches until then, and no longer. A weighting does
not drift; its entry is listed when it is due, and no verdict hangs on it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from labref.hookspecs import hookimpl
from labref_register.check import RegisterCheck, entries_of
from labref_register.entry import CalibrationTable
from labref_register.validity import ValidityCheck, spans_of

__all__ = ["CalibrationTable", "RegisterCheck", "ValidityCheck"]


@hookimpl
def register_tables() -> Mapping[str, Any]:
    """The register as tables of the lab file."""
    return {"calibrations": dict[str, CalibrationTable]}


@hookimpl
def register_checks(lab: Any) -> Iterable[RegisterCheck | ValidityCheck]:
    """One check for each transition that leans on an entry, one where a correction has an end."""
    found = ((t.name, entries_of(lab, t)) for t in lab.transitions.values())
    spans = ((t.name, spans_of(lab, t)) for t in lab.transitions.values())
    return [
        *(RegisterCheck(name, entries) for name, entries in found if entries),
        *(ValidityCheck(name, valid) for name, valid in spans if valid),
    ]
