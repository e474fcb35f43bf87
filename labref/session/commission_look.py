"""Two steps of a bring-up at which nothing is moved: settings read back, and the beat's level."""

from __future__ import annotations

from labref.model.exact import exact_text
from labref.model.flags import flag_text
from labref.model.verdict import State
from labref.session.commission_parts import Bench, Finding, Request, Subject


def settings(s: Subject, bench: Bench) -> Finding:
    """Every setting that can be read back is as the lab file says, and is told (M20)."""
    read = bench.settings()
    told, wrong, unread = [], [], []
    for name in sorted({s.lab.feeds[c][0] for c in s.channels if c in s.lab.feeds}):
        known = read.get(name, {})
        for what, one in known.items():
            if one is None:
                unread.append(f"{name}: {what}")
            elif one.agrees is False:
                wrong.append(f"{name}: {one.text}")
        shown = [one.text for one in known.values() if one is not None]
        told.append(f"{name}: {', '.join(shown) if shown else 'nothing can be read back'}")
    if wrong:
        turn = "set it as the lab file says, or correct the lab file"
        return Finding("settings", State.BAD, "; ".join(wrong), turn)
    if unread:
        text = f"not read back: {', '.join(unread)}"
        return Finding("settings", State.UNKNOWN, text, "look at that instrument first")
    return Finding("settings", State.GOOD, "; ".join(told) or "no instrument brings these readings")


def level(s: Subject, bench: Bench) -> Finding:
    """A beat that is weak is counted wrong now and then: cycles slip (M23)."""
    limit = s.level
    band = f"{exact_text(limit.bandwidth_hz)} Hz"
    least_db = float(limit.least_db)
    if limit.channel is None:
        words = (
            f"look at the beat of {s.laser} with a spectrum analyser of {band} bandwidth; give how "
            "far it stands above the noise, in dB"
        )
        found = bench.ask(Request("level", s.laser, words, float(limit.bandwidth_hz)))
        if found is None:
            text = f"nobody has seen how far the beat of {s.laser} stands above the noise"
            return Finding("level", State.UNKNOWN, text, words)
        where = "by a person"
    else:
        seen = bench.read().get(limit.channel)
        if seen is None or not seen.is_usable:
            why = "no reading" if seen is None else flag_text(seen.flags) or "no number"
            turn = "look at that instrument first"
            return Finding("level", State.UNKNOWN, f"{limit.channel}: {why}", turn)
        found = float(s.lab.channels[limit.channel].nominal) + seen.offset
        where = f"by {limit.channel}"
    text = f"{found:.1f} dB above the noise in {band} ({where}), {least_db:.1f} dB wanted"
    if found < least_db:
        turn = "more light on the photodiode, beams on top of each other, a narrower optical filter"
        return Finding("level", State.BAD, text, turn)
    return Finding("level", State.GOOD, text)
