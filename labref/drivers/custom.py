"""Bring your own driver: any Python object becomes an instrument.

``dialect = "python:package.module:Class"`` names what to call; ``options.arguments`` (a list)
and ``options.keywords`` (a table) are handed to it. An input names what to read: an attribute
(``frequency``), a method or callable parameter (``read_frequency()``), also through others
(``channel_1.frequency``). Values may be int, Decimal, text (exact), or float (its shortest
text is taken as exact). The object does its own input and output, blocking, in the reader's
thread; whatever it raises is a fault of the link.
"""

from __future__ import annotations

import contextlib
import importlib
import re
from collections.abc import Mapping
from decimal import Decimal
from fractions import Fraction
from typing import Any

from labref.drivers.base import Fetched, InstrumentSetup, Row, Setting
from labref.drivers.gates import HostTime
from labref.drivers.numbers import Offsets
from labref.drivers.program import Metronome
from labref.drivers.scpi import Identity
from labref.model.errors import InputError, LinkError, ReplyError
from labref.model.flags import Flag
from labref.model.times import NS_PER_S, Clock
from labref.transport.steps import Exchange

PREFIX = "python:"

_PATH = re.compile(r"python:([A-Za-z_][\w.]*):([A-Za-z_][\w.]*)")
_WHAT = re.compile(r"[A-Za-z_]\w*(\.[A-Za-z_]\w*)*(\(\))?")
_OPTIONS = {"arguments", "keywords", "identity", "unit"}


class ObjectProgram:
    """Reads attributes of a foreign object. It is never written to."""

    is_sink = False

    def __init__(self, setup: InstrumentSetup, clock: Clock) -> None:
        match = _PATH.fullmatch(setup.dialect)
        if match is None:
            raise InputError(
                f"instrument {setup.name!r}: {setup.dialect!r} is not python:package.module:Class"
            )
        self.setup = setup
        self.host = HostTime(clock)
        self._module, self._name = match[1], match[2]
        self._check_options()
        for name, _ in setup.inputs:
            if not _WHAT.fullmatch(name):
                raise InputError(
                    f"instrument {setup.name!r}: input {name!r} is no attribute or method()"
                )
        unit = str(setup.options.get("unit", ""))
        self._readers = [Offsets(channel, unit) for _, channel in setup.inputs]
        self._metronome = Metronome(clock, setup.period_ns / NS_PER_S)
        self._object: Any = None

    def settle(self) -> Exchange[None]:
        """Make the object anew; an old one is closed first."""
        self._close()
        self._object = self._made()
        yield from ()

    def identify(self) -> Exchange[Identity | None]:
        """What its ``id``, ``get_idn()`` or ``idn`` says, if it has one."""
        yield from ()
        for name in ("id", "idn", "get_idn"):
            said = None
            with contextlib.suppress(Exception):  # a property may raise anything, too
                said = getattr(self._object, name, None)
                said = said() if callable(said) else said
            if isinstance(said, Mapping):
                return Identity(*(str(said.get(k, "")) for k in _IDN_KEYS))
            if isinstance(said, str) and "," in said:
                return Identity(*[part.strip() for part in said.split(",", 3)])
        return None

    def configure(self) -> Exchange[None]:
        """A foreign object is never configured by us."""
        yield from ()

    def read_settings(self) -> Exchange[list[Setting]]:
        """None are known."""
        yield from ()
        return []

    def begin(self) -> Exchange[None]:
        """Let the first round be due at once."""
        self._metronome.restart()
        yield from ()

    def fetch(self) -> Exchange[Fetched]:
        """Wait for the next round and read every input."""
        yield from self._metronome.wait()
        rows = []
        for index, (name, channel) in enumerate(self.setup.inputs):
            text = _as_text(self._read(name), name)
            offset, flags = self._readers[index](text)
            now_ns = self.host.now_ns()
            rows.append(Row(index, now_ns - channel.gate_ns, now_ns, offset, flags))
        step_ns = self.host.stepped()
        if step_ns:
            rows = [row._replace(flags=row.flags | int(Flag.CLOCK_STEP)) for row in rows]
        return Fetched(rows, clock_step_ns=step_ns)

    def read_errors(self) -> Exchange[list[str]]:
        """None are known."""
        yield from ()
        return []

    def resync(self) -> Exchange[None]:
        """Make the object anew."""
        yield from self.settle()

    def _check_options(self) -> None:
        if unknown := set(self.setup.options) - _OPTIONS:
            raise InputError(
                f"instrument {self.setup.name!r}: no option {sorted(unknown)[0]!r} for a Python "
                f"object; it has: {', '.join(sorted(_OPTIONS))}"
            )

    def _made(self) -> Any:
        arguments = self.setup.options.get("arguments", [])
        keywords = self.setup.options.get("keywords", {})
        if not isinstance(arguments, list | tuple) or not isinstance(keywords, Mapping):
            raise InputError(
                f"instrument {self.setup.name!r}: arguments is a list, keywords a table"
            )
        try:
            made = importlib.import_module(self._module)
            for part in self._name.split("."):
                made = getattr(made, part)
            return made(*arguments, **keywords)  # type: ignore[operator]
        except Exception as error:  # noqa: BLE001  # a foreign object may raise anything
            raise LinkError(f"{self.setup.name}: {self.setup.dialect}: {_named(error)}") from None

    def _read(self, name: str) -> object:
        try:
            value = self._object
            for part in name.removesuffix("()").split("."):
                value = getattr(value, part)
            return value() if name.endswith("()") else value
        except Exception as error:  # noqa: BLE001
            raise LinkError(f"{self.setup.name}: reading {name}: {_named(error)}") from None

    def _close(self) -> None:
        made, self._object = self._object, None
        for name in ("close", "shutdown", "disconnect"):
            if callable(getattr(made, name, None)):
                with contextlib.suppress(Exception):
                    getattr(made, name)()
                return


_IDN_KEYS = ("vendor", "model", "serial", "firmware")


def _as_text(value: object, name: str) -> str:
    """Return a value as text that parses exactly to it. Raises ReplyError."""
    if isinstance(value, bool):
        return "1" if value else "0"
    if isinstance(value, str):
        return value
    if isinstance(value, int | Decimal):
        return str(value)
    if isinstance(value, Fraction):
        return str(Decimal(value.numerator) / Decimal(value.denominator))
    try:
        return repr(float(value))  # type: ignore[arg-type]  # numpy scalars and the like
    except (TypeError, ValueError):
        raise ReplyError(f"{name} is {type(value).__name__}, not a number") from None


def _named(error: Exception) -> str:
    return f"{type(error).__name__}: {error}"
