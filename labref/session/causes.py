"""Which instrument is behind an alarm about its link, time base, settings or clock.

A gate's flags say what happened, not to whom. The readings of the transition's channels do: the
instruments whose recent readings bear the flag are the cause, and one cause is one alarm.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from labref.config.lab import Lab
from labref.model.flags import Flag
from labref.model.verdict import Alarm, AlarmLevel
from labref.session.recent import Recent

_FLAG_OF_KIND: Mapping[str, Flag] = {
    "link down": Flag.LINK,
    "reference not trusted": Flag.REFERENCE,
    "settings differ": Flag.SETTINGS,
    "clock step": Flag.CLOCK_STEP,
}


class Causes:
    """Names the cause of alarms that no check named one for; remembers it until they clear."""

    def __init__(self, lab: Lab) -> None:
        self._feeds = {
            name: {c: lab.feeds[c][0] for c in t.equation.channels if c in lab.feeds}
            for name, t in lab.transitions.items()
        }
        self._known: dict[tuple[str, str], str] = {}

    def named(self, alarms: Iterable[Alarm], recent: Mapping[str, Recent]) -> Iterator[Alarm]:
        """The alarms of one pass, with their causes; ``recent``: last readings by channel."""
        for alarm in alarms:
            flag = _FLAG_OF_KIND.get(alarm.kind)
            if flag is None or alarm.cause:
                yield alarm
                continue
            key = (alarm.subject, alarm.kind)
            if alarm.level is AlarmLevel.RAISED:
                self._known[key] = self._cause(alarm.subject, flag, recent)
                yield replace(alarm, cause=self._known[key])
            else:
                yield replace(alarm, cause=self._known.pop(key, ""))

    def _cause(self, transition: str, flag: Flag, recent: Mapping[str, Recent]) -> str:
        found = {
            instrument
            for channel, instrument in self._feeds[transition].items()
            if channel in recent and (recent[channel].all().flags & int(flag)).any()
        }
        return f"instrument {', '.join(sorted(found))}" if found else ""
