"""Two independent paths to one laser agree within their uncertainties.

A laser with `[lasers.NAME.paths.OTHER]` (a second comb, a wavemeter, a ratio) is measured twice.
Their difference is one equation: what both rest on, a common reference, f_rep or a shifter, drops
out of it exactly, and its uncertainty is that of the rest alone. Where the two differ by more than
k u the transition is unknown: one of them is wrong, and this check cannot tell which.

Every such path is compared. Optional:

    [agreement]
    k = 5                              # 3 would be wrong in 27 of 10 000 gates
    ignore = ["L729.coarse"]
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from msgspec import field

from labref.config.fields import Positive, Table
from labref.hookspecs import hookimpl
from labref_agreement.check import AgreementCheck, Pair, pair_of

__all__ = ["AgreementCheck", "AgreementTable", "Pair"]


class AgreementTable(Table, frozen=True, kw_only=True):
    """``[agreement]``: how far is too far, and which paths (LASER.PATH) are not compared."""

    k: Positive = 5
    ignore: list[str] = field(default_factory=list)

    def check_lab(self, lab: Any) -> Iterator[tuple[tuple[str | int, ...], str]]:
        """Say what does not fit the rest of the file."""
        known = {f"{name}.{path}" for name, laser in lab.lasers.items() for path in laser.paths}
        for index, name in enumerate(self.ignore):
            if name not in known:
                found = ", ".join(sorted(known)) or "none"
                yield ("ignore", index), f"no path {name!r} of a laser; there is: {found}"


@hookimpl
def register_tables() -> Mapping[str, Any]:
    """The table ``[agreement]``."""
    return {"agreement": AgreementTable}


@hookimpl
def register_checks(lab: Any) -> Iterable[AgreementCheck]:
    """One check for each transition whose laser has other paths."""
    table = lab.tables.get("agreement", AgreementTable())
    checks = []
    for transition in lab.transitions.values():
        paths = lab.lasers[transition.laser].paths
        names = [name for name in paths if f"{transition.laser}.{name}" not in table.ignore]
        if names:
            pairs = [pair_of(transition, name, lab) for name in names]
            checks.append(AgreementCheck(transition.name, pairs, float(table.k)))
    return checks
