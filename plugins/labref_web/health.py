"""Instruments and references with their health, from faults that stand and the last readings.

An instrument is bad while a fault of it stands, good while every channel that it feeds has a fresh
usable reading, else unknown. What a check of a transition says with the cause "reference NAME"
stands for that reference. Else it is good while the level witnesses that it needs are fresh and
within their limits, or while ``[reference_health]`` watches it and nothing is said against it; one
that nothing watches is unknown, and rests on its stated uncertainty (M3).
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping

from labref.config.lab import Lab, Witness
from labref.model.channel import Channel
from labref.model.flags import UNUSABLE, Flag
from labref.model.reference import Reference
from labref.model.verdict import State
from labref.session.enquiries import Enquiries
from labref_web import structs
from labref_web.ears import Last
from labref_web.struct_base import StateWord
from labref_web.words import at, word

SPARE_NS = 1_000_000_000
Said = tuple[StateWord, str]


class Health:
    """Says how instruments and references are. Used by the service's thread only."""

    def __init__(self, enquiries: Enquiries, readings: Mapping[str, Last]) -> None:
        self._enquiries, self._readings = enquiries, readings
        self._lab: Lab = enquiries.lab
        self._feeds: dict[str, list[Channel]] = {name: [] for name in self._lab.instruments}
        for channel, (instrument, _) in self._lab.feeds.items():
            self._feeds[instrument].append(self._lab.channels[channel])
        self._since: dict[str, tuple[StateWord, int]] = {}
        self._needs = _reference_needs(self._lab)
        watches = self._lab.tables.get("reference_health", {}).values()
        self._watched = frozenset(watch.reference for watch in watches)

    def instruments(self, now_ns: int) -> list[structs.Instrument]:
        """Every instrument of the lab file, by its order."""
        faults = self._enquiries.standing_faults
        return [self._instrument(name, faults, now_ns) for name in self._feeds]

    def references(self, now_ns: int) -> list[structs.Reference]:
        """Every reference of the lab file, by its order."""
        found = []
        for name, reference in self._lab.references.items():
            state, text = self._of_reference(reference, now_ns)
            found.append(structs.Reference(name=name, state=state, text=text, u=reference.u))
        return found

    def _instrument(self, name: str, faults: Mapping[str, str], now_ns: int) -> structs.Instrument:
        state, text = self._of_instrument(name, faults, now_ns)
        before = self._since.get(name)
        if before is None or before[0] != state:
            self._since[name] = before = state, now_ns
        since_ns = before[1]
        return structs.Instrument(
            name=name, state=state, text=text, since_ns=since_ns, since=at(since_ns)
        )

    def _of_instrument(self, name: str, faults: Mapping[str, str], now_ns: int) -> Said:
        prefix = f"instrument {name}: "
        said = [
            f"{where.removeprefix(prefix)}: {what}"
            for where, what in faults.items()
            if where.startswith(prefix)
        ]
        if said:
            return "bad", "; ".join(said)
        channels = self._feeds[name]
        if not channels:
            return "unknown", "feeds no channel: it is not read"
        silent = [c.name for c in channels if not self._is_fresh(c, now_ns)]
        if silent:
            return "unknown", f"no fresh reading of {', '.join(silent)}"
        odd = [c.name for c in channels if self._readings[c.name].flags & UNUSABLE]
        if odd:
            return "unknown", f"no usable reading of {', '.join(odd)}"
        return "good", "readings are fresh"

    def _is_fresh(self, channel: Channel, now_ns: int) -> bool:
        last = self._readings.get(channel.name)
        if last is None:
            return False
        allowed_ns = channel.hold_ns or 2 * channel.gate_ns + SPARE_NS
        return now_ns - last.stop_ns <= allowed_ns

    def _of_reference(self, reference: Reference, now_ns: int) -> Said:
        said_against, is_current = self._against(f"reference {reference.name}")
        if said_against is not None:
            return said_against
        needs = self._needs.get(reference.name, ())
        if not needs and reference.name in self._watched:
            if is_current:
                return "good", "watched, and nothing is said against it"
            return "unknown", "watched, but no transition that rests on it has a fresh gate"
        if not needs:
            checked = reference.checked
            when = f"not independently checked since {checked}" if checked else "never checked"
            return "unknown", f"nothing watches it: rests on its stated uncertainty, {when}"
        said = [self._of_witness(witness, now_ns) for witness in needs]
        for state in ("bad", "unknown"):
            texts = [text for found, text in said if found == state]
            if texts:
                return ("bad" if state == "bad" else "unknown"), "; ".join(texts)
        return "good", "; ".join(text for _, text in said)

    def _against(self, cause: str) -> tuple[Said | None, bool]:
        """What checks say of a cause at the last gates, and whether any gate is fresh."""
        status, is_current = self._enquiries.status, False
        for name, standing in status.standings.items():
            result = self._enquiries.newest(name)
            if result is None or status.verdict(name) is not standing.verdict:
                continue
            is_current = True
            for judgement in result.judgements:
                state = judgement.states[-1]
                reason = judgement.texts[int(judgement.reasons[-1])]
                if state != State.GOOD and reason.cause == cause:
                    return (word(state), reason.text), True
        return None, is_current

    def _of_witness(self, witness: Witness, now_ns: int) -> Said:
        last = self._readings.get(witness.channel)
        if last is None or now_ns - last.stop_ns > witness.max_age_ns:
            return "unknown", f"{witness.name}: no fresh reading of {witness.channel}"
        if last.flags & UNUSABLE or not last.flags & int(Flag.WRITTEN) or witness.limits is None:
            return "unknown", f"{witness.name}: no usable reading of {witness.channel}"
        low, high = witness.limits
        if low <= last.offset <= high:
            return "good", f"{witness.name} is within its limits"
        return "bad", f"{witness.name} is outside its limits"


def _reference_needs(lab: Lab) -> dict[str, tuple[Witness, ...]]:
    """The level witnesses each reference needs, as its table of the lab file says."""
    tables = tomllib.loads(lab.text).get("references", {}) if lab.text else {}
    return {
        name: tuple(lab.witnesses[need] for need in table.get("needs", ()) if need in lab.witnesses)
        for name, table in tables.items()
    }
