"""Settings that are read back and compared with the lab file (M20)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from decimal import Decimal

from labref.drivers.base import Setting
from labref.drivers.dialect import Dialect, SettingSpec, fill
from labref.drivers.numbers import number
from labref.model.errors import ReplyError
from labref.model.flags import Flag


class Watch:
    """Which settings are due, what they should be, and which flags their state sets.

    A setting that has never been read is unknown and sets its flag as a wrong one does.
    """

    def __init__(self, dialect: Dialect, values: Mapping[str, object]) -> None:
        self._specs: dict[str, SettingSpec] = {}
        self._queries: dict[str, str] = {}
        self._expected: dict[str, str | None] = {}
        for name, spec in dialect.settings.items():
            query = fill(spec.query, values)
            if query is None:
                continue
            self._specs[name], self._queries[name] = spec, query
            self._expected[name] = fill(spec.expect, values) if spec.expect else None
        self._read_s: dict[str, float] = {}
        self.current: dict[str, Setting] = {}
        self._flags: int | None = None
        self._always = [name for name, spec in self._specs.items() if spec.flag == "REFERENCE"]
        self._next_s = -1e18

    @property
    def flags(self) -> int:
        """Flags of all settings that disagree or have not been read."""
        if self._flags is None:
            self._flags = self._collected()
        return self._flags

    def _collected(self) -> int:
        flags = 0
        for name, spec in self._specs.items():
            setting = self.current.get(name)
            if setting is None or setting.agrees is False:
                flags |= int(Flag[spec.flag])
        return flags

    @property
    def names(self) -> list[str]:
        """All settings."""
        return list(self._specs)

    def query(self, name: str) -> str:
        """The query that reads a setting."""
        return self._queries[name]

    def due(self, now_s: float, gate_s: float) -> list[str]:
        """Settings to read with this round: those whose time has come, all in slow rounds.

        The time base is read with every round: a counter that fell back to its own would give
        wrong readings until the next look.
        """
        if now_s < self._next_s or not self._specs:
            return self._always
        slack_s = min(gate_s, 1.0) / 2
        due = [
            name
            for name, spec in self._specs.items()
            if name in self._always
            or now_s - self._read_s.get(name, -1e18) >= spec.every_s - slack_s
        ]
        if due == self._always:
            slow = (name for name in self._specs if name not in self._always)
            next_s = (self._read_s[name] + self._specs[name].every_s for name in slow)
            self._next_s = min(next_s, default=math.inf) - slack_s
        return due

    def forget(self) -> None:
        """After a reconnection nothing is known."""
        self.current.clear()
        self._read_s.clear()
        self._flags, self._next_s = None, -1e18

    def take(self, name: str, reply: str, now_s: float) -> Setting:
        """Note a reply and compare it. Raises ReplyError where it cannot be one."""
        spec = self._specs[name]
        value = _named(reply, spec)
        wanted = self._expected[name]
        agrees = None if wanted is None else _agrees(value, wanted, spec)
        setting = Setting(name, value, wanted, agrees, Flag[spec.flag])
        self.current[name] = setting
        self._flags = None
        self._read_s[name] = now_s
        return setting


def _named(reply: str, spec: SettingSpec) -> str:
    text = reply.strip().strip('"')
    if not spec.words:
        return text
    for beginning, name in spec.words.items():
        if text.upper().startswith(beginning.upper()):
            return name
    raise ReplyError(f"{reply[:40]!r} is none of {', '.join(spec.words)}")


def _agrees(value: str, wanted: str, spec: SettingSpec) -> bool:
    if spec.words:
        return value == wanted
    try:
        target = Decimal(wanted)
    except ArithmeticError:
        return value.upper() == wanted.upper()
    found, _ = number(value)
    return abs(found - target) <= abs(target) * Decimal(str(spec.relative))
