"""A reading that is too good is flagged and unknown (rule M20)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from labref.checks.base import Reasons, is_derived, unusable_judgement
from labref.model.flags import Flag
from labref.model.readings import Readings
from labref.model.verdict import (
    NOTHING,
    Frequencies,
    Judgement,
    Reason,
    State,
    all_good,
    no_reasons,
)
from labref_too_good.track import GoodTrack


class TooGoodCheck:
    """Good while the channels look like measurements."""

    name = "too good"
    screens = True

    def __init__(self, transition: str, tracks: Sequence[GoodTrack]) -> None:
        self.transition = transition
        self._tracks = tracks
        self.channels = tuple(track.channel for track in tracks)

    def judge(self, frequencies: Frequencies, readings: Mapping[str, Readings]) -> Judgement:
        """Look at the last reading of every watched channel at the end of every gate."""
        for track in self._tracks:
            track.see(readings)
        count = len(frequencies)
        stops = frequencies.stop_ns.tolist()
        whys = [[(t, why) for t in self._tracks if (why := t.why(stop))] for stop in stops]
        if not any(whys) and is_derived(frequencies):
            return Judgement(self.name, all_good(count), no_reasons(count), (NOTHING,))
        states = np.full(count, State.GOOD, np.uint8)
        indices = np.zeros(count, np.intp)
        reasons = Reasons()
        for gate, found in enumerate(whys):
            if found:
                track, why = found[0]
                reason = Reason(
                    f"too good: {track.channel} {why}",
                    f"readings of {track.channel} that look like measurements",
                    "too good",
                )
                states[gate], indices[gate] = State.UNKNOWN, reasons.index(reason)
        said = unusable_judgement(self.name, frequencies, states, indices, reasons)
        where = np.array([bool(found) for found in whys], bool)
        flags = np.where(where, np.uint32(Flag.TOO_GOOD), np.uint32(0)).astype(np.uint32)
        return Judgement(said.check, said.states, said.reasons, said.texts, (), flags)
