"""``[nightly.NAME]``: what a running session characterises every night, and when."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Annotated
from zoneinfo import ZoneInfo

from labref.config.fields import ClockTime, NightCount, Table, Zone, needed

_ONE_DAY = timedelta(days=1)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class NightlyTable(Table, frozen=True, kw_only=True):
    """When a night ends, what is done with it, and with how many nights it is compared.

    ``at``: time of day, "06:30", in UTC or in the IANA ``zone``. The night is what was recorded
    from the time before up to this one. ``plan``: a plan of `labref characterise`, beside the lab
    file; its sources with ``live = true`` are the session's own trace. Without one there are the
    three figures of each transition alone. ``results``: folder, in the trace's folder.
    ``compare_nights``: how many nights before make the history that a figure is judged by.
    """

    at: Annotated[ClockTime, needed('the time of day, such as "06:30"')]
    zone: Zone = "UTC"
    plan: str | None = None
    results: str = "nightly"
    compare_nights: NightCount = 28

    def last_due_ns(self, now_ns: int) -> int:
        """The newest end of a night at or before ``now_ns``, ns UTC."""
        day = _local(now_ns, self._tz).date() + _ONE_DAY
        while (due := self._due_ns(day)) > now_ns:
            day -= _ONE_DAY
        return due

    def next_due_ns(self, after_ns: int) -> int:
        """The first end of a night after ``after_ns``, ns UTC."""
        day = _local(after_ns, self._tz).date() - _ONE_DAY
        while (due := self._due_ns(day)) <= after_ns:
            day += _ONE_DAY
        return due

    @property
    def _tz(self) -> tzinfo:
        return UTC if self.zone == "UTC" else ZoneInfo(self.zone)

    def _due_ns(self, day: date) -> int:
        """One moment for each date of the zone: each night ends once.

        A time that a clock change skips is taken by the offset before it (02:30 becomes 03:30),
        one that comes twice is the first (PEP 495, fold = 0).
        """
        hour, minute = (int(part) for part in self.at.split(":"))
        local = datetime.combine(day, time(hour, minute), tzinfo=self._tz)
        return (local - _EPOCH) // timedelta(microseconds=1) * 1000


def _local(time_ns: int, zone: tzinfo) -> datetime:
    return (_EPOCH + timedelta(microseconds=time_ns // 1000)).astimezone(zone)
