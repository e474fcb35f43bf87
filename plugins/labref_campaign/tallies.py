"""What a run shows: verdicts against truth, per fault kind and over all.

U = 3 u. A gate is *out* when the true mean is beyond its limits, *far out* beyond them by 2 U,
*well in* when inside by 2 U. An *edge* gate is one within which a fault begins or ends: its mean
lies between two places.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from labref.model.tolerance import Tolerance
from labref_campaign.exam import BAD, GOOD, UNKNOWN, Book, Sheet
from labref_campaign.run import Ran
from sim_instruments.campaign.draws import overlapping
from sim_instruments.campaign.kinds import KINDS
from sim_instruments.campaign.lab import COUNTERS
from sim_instruments.campaign.weather import recovery
from sim_instruments.faults import Fault

K = 3.0
TAIL = 2  # gates after a fault that count as its window
MOST_WAIT = 3600  # gates after a fault in which it is looked for the first good one
# Reasons that declare their delay. A proof after a relock may take as long as the lab file says
# (verify_s); a reference recovers for three time constants, anew whenever its time error leaves.
PROOF, PROOF_GATES = "not verified", 60
RECOVERS = ("reference recovering", "references differ", "reference silent")
Mask = npt.NDArray[np.bool_]


@dataclass
class Total:
    """Counts of gates over all transitions of a run."""

    gates: int = 0
    good: int = 0
    out: int = 0
    good_out: int = 0
    good_out_expected: float = 0.0
    far_out: int = 0
    good_far_out: int = 0
    good_far_out_edge: int = 0
    well_in: int = 0
    bad_well_in: int = 0
    bad_well_in_outside_windows: int = 0
    quiet: int = 0
    unknown_quiet: int = 0
    unknown_quiet_declared: int = 0
    why_unknown_quiet: Counter[str] = field(default_factory=Counter)
    far_out_by_kind: Counter[str] = field(default_factory=Counter)


@dataclass
class ByKind:
    """One fault kind. Delays in s from the begin of the first gate whose mean is out."""

    faults: int = 0
    opportunities: int = 0
    detected: int = 0
    delays_s: list[float] = field(default_factory=list)
    false_alarms: int = 0
    good_out: int = 0
    good_far_out: int = 0
    unknown_in: int = 0
    to_good_s: list[float] = field(default_factory=list)
    never_good: int = 0


@dataclass
class Tally:
    """Everything that one run shows."""

    seed: int
    total: Total
    kinds: dict[str, ByKind]
    overlaps: int
    constants: dict[str, float]


def tally(ran: Ran) -> Tally:
    """Compare one run's book with the truth."""
    book, lab = ran.book, ran.lab
    total, kinds = Total(), {kind: ByKind() for kind in KINDS}
    lines = {row.transition: row for row in lab.scenario.lasers}
    for fault in lab.faults:
        kinds[fault.kind].faults += 1
    for name, sheet in book.sheets.items():
        tolerance = book.transitions[name].tolerance
        touching = [f for f in lab.faults if touches(f, lines[name].name)]
        judged = _Judged(sheet, tolerance, touching, ran)
        judged.count(total, book)
        for fault in touching:
            judged.one(fault, kinds[fault.kind])
    constants = {"reference, 1": lab.weather.y0}
    for row in lab.scenario.lasers:
        tap = float(row.mode * lab.scenario.f_rep_hz)
        error = -row.harmonic * tap * lab.weather.y0 + lab.weather.target_error_hz[row.name]
        constants[f"{row.transition}, u"] = error / max(book.sheets[row.transition].u_hz, 1e-9)
    return Tally(ran.seed, total, kinds, overlapping(lab.faults), constants)


def touches(fault: Fault, laser: str) -> bool:
    """Whether a fault can have to do with what is said of a laser."""
    target = fault.target
    if target in (laser, f"beat_{laser}", f"wm_{laser}"):
        return True
    if target in COUNTERS and target != "counter_a":
        return laser in COUNTERS[target]
    return target in ("gnssdo", "comb", "f_rep", "f_ceo", "counter_a", "wavemeter", "analog")


class _Judged:
    """One transition's sheet with masks, and its faults one by one."""

    def __init__(self, sheet: Sheet, tolerance: Tolerance, touching: list[Fault], ran: Ran) -> None:
        self.sheet = sheet
        u = sheet.u_hz
        margin = np.asarray(tolerance.margin(sheet.truth))
        self.margin, self.u = margin, u
        self.out, self.far_out = margin < 0, margin < -2 * K * u
        self.well_in = margin > 2 * K * u
        gates = len(margin)
        self.window, self.edge = np.zeros(gates, bool), np.zeros(gates, bool)
        recover_y = ran.lab.scenario.number("reference", "recover_y")
        self._recover_y, self._touching = recover_y, touching
        for fault in touching:
            self.window[self._span(fault)] = True
            for at in (fault.start_s, fault.stop_s):
                if at < gates:
                    self.edge[int(at)] = True

    def _span(self, fault: Fault) -> slice:
        """Gates of a fault and of what it leaves behind, and two more."""
        end = fault.stop_s
        if fault.kind == "holdover":
            end += recovery(fault, self._recover_y)[1]
        begin, last = int(fault.start_s), min(len(self.out), math.ceil(end) + TAIL)
        if fault.kind in ("unlock", "mode_hop"):
            while last < len(self.out) and self.out[last]:
                last += 1
        return slice(begin, max(begin + 1, min(len(self.out), last + TAIL)))

    def _during(self, gate: int) -> str:
        """Kinds of the faults in whose windows a gate lies."""
        spans = ((fault.kind, self._span(fault)) for fault in self._touching)
        return (
            " + ".join(sorted(k for k, span in spans if span.start <= gate < span.stop)) or "none"
        )

    def count(self, total: Total, book: Book) -> None:
        """Add this transition's gates."""
        said = self.sheet.said
        good, bad, unknown = said == GOOD, said == BAD, said == UNKNOWN
        total.gates += len(said)
        total.good += int(good.sum())
        total.out += int(self.out.sum())
        total.good_out += int((good & self.out & ~self.far_out).sum())
        near = self.out & ~self.far_out
        total.good_out_expected += float(_below(-K + self.margin[near] / self.u).sum())
        total.far_out += int(self.far_out.sum())
        wrong = good & self.far_out
        total.good_far_out += int((wrong & ~self.edge).sum())
        total.good_far_out_edge += int((wrong & self.edge).sum())
        for gate in np.flatnonzero(wrong & ~self.edge):
            total.far_out_by_kind[self._during(int(gate))] += 1
        total.well_in += int(self.well_in.sum())
        total.bad_well_in += int((bad & self.well_in).sum())
        total.bad_well_in_outside_windows += int((bad & self.well_in & ~self.window).sum())
        quiet = self.well_in & ~self.window
        total.quiet += int(quiet.sum())
        numbers, counts = np.unique(self.sheet.why[quiet & unknown], return_counts=True)
        for number, count in zip(numbers, counts, strict=True):
            kind = book.kinds[int(number)] or "no gate derived"
            total.why_unknown_quiet[kind] += int(count)
            total.unknown_quiet += int(count)
        declared = self._why(book, (PROOF,)) & self._soon_after() | self._why(book, RECOVERS)
        total.unknown_quiet_declared += int((quiet & unknown & declared).sum())

    def _why(self, book: Book, kinds: Sequence[str]) -> Mask:
        known = [book.kinds.index(kind) for kind in kinds if kind in book.kinds]
        return np.isin(self.sheet.why, known)

    def _soon_after(self) -> Mask:
        """Gates that follow a window by no more than a proof may take."""
        gates = np.arange(len(self.window))
        last = np.maximum.accumulate(np.where(self.window, gates, -PROOF_GATES - 1))
        return gates - last <= PROOF_GATES

    def one(self, fault: Fault, kind: ByKind) -> None:
        """Add one fault as this transition saw it."""
        span = self._span(fault)
        said, asked = self.sheet.said[span], self.sheet.asked[span]
        out = self.out[span]
        kind.good_out += int(((said == GOOD) & out).sum())
        kind.good_far_out += int(((said == GOOD) & self.far_out[span]).sum())
        kind.unknown_in += int(((said == UNKNOWN) & self.well_in[span]).sum())
        kind.false_alarms += bool(((said == BAD) & self.well_in[span]).any())
        if KINDS[fault.kind].moves:
            self._moved(span, out, asked, kind)
        else:
            kind.opportunities += 1
            kind.detected += bool((said != GOOD).any())
        self._back(span, kind)

    def _moved(self, span: slice, out: Mask, asked: npt.NDArray[np.uint8], kind: ByKind) -> None:
        """The truth left its limits in this window, having been inside: was it said, and when?"""
        if not out.any():
            return
        first = int(np.argmax(out))
        if first == 0 and span.start and self.out[span.start - 1]:
            return  # another fault had it out already
        kind.opportunities += 1
        end = first + (int(np.argmin(out[first:])) if not out[first:].all() else len(out) - first)
        reacted = np.flatnonzero(asked[first:] != GOOD)
        if len(reacted) and first + int(reacted[0]) < end + TAIL:
            kind.detected += 1
            kind.delays_s.append(float(reacted[0]) + 1.0)

    def _back(self, span: slice, kind: ByKind) -> None:
        """From the end of a fault that was noticed to the first good gate."""
        if not (self.sheet.said[span] != GOOD).any():
            return
        begin = max(span.start, span.stop - 2 * TAIL)
        after = self.sheet.asked[begin : begin + MOST_WAIT] == GOOD
        if after.any():
            kind.to_good_s.append(float(np.argmax(after)))
        else:
            kind.never_good += 1


def _below(x: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """The normal distribution function."""
    return np.array([0.5 * math.erfc(-value / math.sqrt(2)) for value in x])
