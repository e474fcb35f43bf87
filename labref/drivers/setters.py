"""Outputs that may be moved: limited, off until enabled, read back.

This can move light. Nothing here is called by a driver itself: somebody who may move outputs
asks for it, after enabling it in the lab file (with limits) and at run time. Interlocks act in
hardware; the laser-safety officer decides what may be moved at all. Levels and power are
output class b: they need a reason in the lab file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from labref.drivers.asking import Asker
from labref.drivers.base import InstrumentSetup
from labref.drivers.dialect import Dialect, Setter, fill
from labref.drivers.numbers import number, power_of_ten, to_wire
from labref.model.errors import InputError, RefusedError, ReplyError
from labref.model.exact import Exact, exact
from labref.transport.steps import Exchange


@dataclass(frozen=True, slots=True)
class Limits:
    """What the lab file allows: ``low`` to ``high``, and ``largest_step`` at a time."""

    low: Fraction
    high: Fraction
    largest_step: Fraction | None = None


@dataclass(frozen=True, slots=True)
class SetResult:
    """What was ``asked``, what it ``became`` (exact texts), and whether that is the same."""

    asked: str
    became: str

    @property
    def is_exact(self) -> bool:
        """Whether the instrument took the value without rounding it."""
        return Decimal(self.asked) == Decimal(self.became)

    @property
    def text(self) -> str:
        """Readable."""
        return self.became if self.is_exact else f"asked {self.asked}, became {self.became}"


class Output:
    """One output of one instrument, such as ``frequency.2``. Disabled until `enable`."""

    def __init__(self, setup: InstrumentSetup, dialect: Dialect, name: str) -> None:
        kind, _, output = name.partition(".")
        if kind not in dialect.setters:
            known = ", ".join(dialect.setters) or "none"
            raise InputError(
                f"instrument {setup.name!r}: dialect {dialect.name!r} cannot set {kind!r}; "
                f"it can set: {known}"
            )
        self.name = name
        self.setup = setup
        self.setter: Setter = dialect.setters[kind]
        self.limits = limits_of(setup, name, self.setter.output_class)
        self.enabled = False
        self._texts = {"output": output, "value": None}
        self._ask = Asker(dialect)

    def enable(self) -> None:
        """Permit `set` from here on."""
        self.enabled = True

    def disable(self) -> None:
        """Permit nothing."""
        self.enabled = False

    def read(self) -> Exchange[Fraction]:
        """Read the present value back, in the setter's unit."""
        (text,), errors = yield from self._ask.many([fill(self.setter.query, self._texts) or ""])
        if errors:
            raise ReplyError(f"{self.setup.name}: {', '.join(errors)}")
        value, unit = number(text)
        return Fraction(value.scaleb(power_of_ten(unit, self.setter.unit)))

    def set(self, value: Exact) -> Exchange[SetResult]:
        """Move to ``value`` (exact: int, Fraction or Decimal) and read back what it became.

        Raises RefusedError when disabled, outside the limits or further than the largest
        step; ReplyError when the instrument refuses or comes back outside the limits.
        """
        wanted = exact(value)
        self._check(wanted)
        text = to_wire(wanted)
        if self.limits.largest_step is not None:
            present = yield from self.read()
            self._check_step(present, wanted)
        yield from self._ask.tell(fill(self.setter.command, {**self._texts, "value": wanted}) or "")
        became = yield from self.read()
        result = SetResult(text, to_wire(became))
        if not self.limits.low <= became <= self.limits.high:
            raise ReplyError(f"{self._where}: {result.text}, which is outside the limits")
        return result

    @property
    def _where(self) -> str:
        return f"{self.setup.name} {self.name}"

    def _check(self, wanted: Fraction) -> None:
        if not self.enabled:
            raise RefusedError(f"{self._where}: not enabled")
        if not self.limits.low <= wanted <= self.limits.high:
            low, high = to_wire(self.limits.low), to_wire(self.limits.high)
            raise RefusedError(
                f"{self._where}: {float(wanted)!r} {self.setter.unit} is outside {low} to {high}"
            )

    def _check_step(self, present: Fraction, wanted: Fraction) -> None:
        largest = self.limits.largest_step
        if largest is not None and abs(wanted - present) > largest:
            raise RefusedError(
                f"{self._where}: from {to_wire(present)} to {to_wire(wanted)} is more than "
                f"the largest step, {to_wire(largest)} {self.setter.unit}"
            )


def limits_of(setup: InstrumentSetup, name: str, output_class: str) -> Limits:
    """Return the limits of an output from ``options.setters``; InputError where they lack.

    A table per output: ``low`` and ``high`` (needed), ``largest_step``, and for output class
    b a ``reason``.
    """
    tables = setup.options.get("setters", {})
    table = tables.get(name) if isinstance(tables, Mapping) else None
    where = f"instrument {setup.name!r}: options.setters.{name!r}"
    if not isinstance(table, Mapping):
        raise InputError(f"{where}: give low and high, or the output cannot be moved")
    if unknown := set(table) - {"low", "high", "largest_step", "reason"}:
        raise InputError(f"{where}: unknown key {sorted(unknown)[0]!r}")
    if output_class == "b" and not table.get("reason"):
        raise InputError(f"{where}: power, level and current need a reason")
    low, high = (_exact(table, key, where) for key in ("low", "high"))
    if low is None or high is None or not low < high:
        raise InputError(f"{where}: low and high are needed, low below high")
    return Limits(low, high, _exact(table, "largest_step", where))


def _exact(table: Mapping[str, object], key: str, where: str) -> Fraction | None:
    value = table.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal | str):
        raise InputError(f"{where}.{key}: {value!r} is not a number")
    return exact(repr(value) if isinstance(value, float) else value)
