"""A dialect as data: the tables of a ``dialects/*.toml`` file."""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal
from typing import Literal

import msgspec

from labref.drivers.numbers import to_wire
from labref.model.errors import InputError

_VARIABLE = re.compile(r"\{(\w+)\}")


class Table(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Base of all tables: unknown keys are refused."""


class Option(Table, frozen=True, kw_only=True):
    """An option that the lab file may give: what it means, its default, what it may be."""

    about: str
    choices: list[str | int | float | bool] = []
    default: str | int | float | bool | None = None
    needed: bool = False


class Input(Table, frozen=True, kw_only=True):
    """How one input is asked and its answer read.

    ``query`` asks; ``unit`` is what a bare number means. ``read``: ``number``, ``boolean``,
    ``words`` (with ``words``: beginning of the reply -> number), ``wavelength`` (vacuum nm, the
    channel a frequency in Hz), ``air wavelength``. ``pattern``: a regular expression whose first
    group is the value; ``field``: its place (from 1) in a comma-separated reply; ``listed``:
    the reply lists all ``{inputs}``, this one at its place. ``positive``:
    zero and negative numbers are codes for "no reading".
    """

    query: str = ""
    unit: str = ""
    read: Literal["number", "boolean", "words", "wavelength", "air wavelength"] = "number"
    words: dict[str, float] = {}
    pattern: str = ""
    field: int = 0
    listed: bool = False
    positive: bool = False
    about: str = ""


class SettingSpec(Table, frozen=True, kw_only=True):
    """A setting to read back: ``expect`` is a template; ``words`` name replies.

    ``flag`` is set on every reading while it disagrees. Read every ``every_s`` seconds, and
    with each gate where gates are longer than that.
    """

    query: str
    expect: str = ""
    words: dict[str, str] = {}
    flag: Literal["SETTINGS", "REFERENCE"] = "SETTINGS"
    every_s: float = 1.0
    relative: float = 1e-9


class Setter(Table, frozen=True, kw_only=True):
    """An output that may be moved: ``command`` with ``{value}``, ``query`` reads it back.

    ``output_class``: ``a`` moves a frequency only, ``b`` power, level or current (safety S2).
    """

    command: str
    query: str
    unit: str = ""
    output_class: Literal["a", "b"] = "b"
    relative: float = 1e-9


class Gated(Table, frozen=True, kw_only=True):
    """Arm, wait, fetch. ``arm`` begins a gate and is answered (1) when it is over.

    ``fetch`` brings the values of all ``{inputs}`` as one list; ``each`` brings one ``{input}``.
    """

    arm: str = ""
    wait: str = "*OPC?"
    fetch: str = ""
    each: str = ""


class Ask(Table, frozen=True, kw_only=True):
    """One question about an optical input: ``columns`` names what its answer holds.

    Columns: ``value``; ``input`` (must equal the one asked for); ``status``; ``level``;
    ``exposure`` (counts exposures); ``since`` (exposures since the switch moved); ``-``.
    """

    query: str
    columns: list[str]


class Exposures(Table, frozen=True, kw_only=True):
    """A wavemeter that looks at one optical input after the other.

    ``asks``: the questions of one visit. ``status``: what a status word means, "" or a flag's
    name. ``select`` moves the switch to ``{input}``; empty: the instrument moves it itself.
    ``nothing_yet``: whole replies by which the instrument says that the input has not been
    exposed yet: no reading, and no fault of the reply.
    """

    asks: list[Ask]
    status: dict[str, Literal["", "GAP", "SATURATED"]] = {}
    nothing_yet: list[str] = []
    select: str = ""


class Stream(Table, frozen=True, kw_only=True):
    """A counter that sends one line per gate without being asked.

    ``columns`` names the fields in order: an input, ``index`` (counts gates), or ``-``; a last
    ``*`` stands for inputs 1, 2, 3, ...; empty: the inputs in the lab file's order.
    ``pairs``: a separator such as ``=`` where each field carries its name. ``start`` is sent
    to a sink that needs telling. ``header`` maps a ``key=value`` of comment lines to what it
    should be: a template.
    """

    separator: str = ","
    columns: list[str] = []
    pairs: str = ""
    unit: str = ""
    start: list[str] = []
    comment: str = "#"
    header: dict[str, str] = {}


class Block(Table, frozen=True, kw_only=True):
    """A gapless counter that keeps gates until fetched: a query for all new gates.

    ``fetch`` answers with a definite-length block of ``kind`` or, with kind ``ascii``, a list;
    values interleaved in the order of ``{inputs}``. ``start`` begins the acquisition.
    ``points`` asks how many gates there are; ``fetch`` may then name ``{points}``, and is not
    sent for none. ``index``: each gate begins with its number.
    """

    fetch: str
    kind: Literal["ascii", "real64", "real32"] = "real64"
    big_endian: bool = True
    start: list[str] = []
    every_s: float = 0.1
    lost: str = ""
    points: str = ""
    index: bool = False


class Dialect(Table, frozen=True, kw_only=True):
    """A language. ``program`` names the code that speaks it, the tables what it says.

    ``role``: a *sink* measures and may be configured; a *source* makes a signal and is only
    read. ``compound``: several queries may share a message (IEEE 488.2, 6.4.3).
    ``acknowledge`` is the line that answers every command that is no question.
    """

    name: str
    about: str
    program: str
    role: Literal["sink", "source"] = "sink"
    terminator: str = "\n"
    compound: bool = True
    identify: str = "*IDN?"
    errors: str = ":SYST:ERR?"
    acknowledge: str = ""
    configure: list[str] = []
    options: dict[str, Option] = {}
    inputs: dict[str, Input] = {}
    settings: dict[str, SettingSpec] = {}
    setters: dict[str, Setter] = {}
    gated: Gated | None = None
    stream: Stream | None = None
    exposures: Exposures | None = None
    block: Block | None = None

    @property
    def line_end(self) -> bytes:
        """The terminator as bytes."""
        return self.terminator.encode("ascii")

    def input(self, name: str) -> Input:
        """Return how the named input is asked; ``*`` serves inputs that have no own table.

        ``frequency.2`` is ``frequency`` of output 2: its query may hold ``{output}``.
        """
        found = self.inputs.get(name) or self.inputs.get(name.partition(".")[0])
        found = found or self.inputs.get("*")
        if found is None:
            known = ", ".join(self.inputs) or "none"
            raise InputError(f"dialect {self.name!r} has no input {name!r}; it has: {known}")
        return found


def dialect_of(name: str, table: Mapping[str, object], place: str) -> Dialect:
    """Return the dialect that ``table`` describes. Raises InputError naming ``place``."""
    try:
        return msgspec.convert({"name": name, **table}, Dialect, strict=True)
    except msgspec.ValidationError as error:
        raise InputError(f"{place}: dialect {name!r}: {error}") from None


def resolve_options(dialect: Dialect, given: Mapping[str, object], where: str) -> dict[str, object]:
    """Return every option of ``dialect`` with its value. Raises InputError, naming ``where``."""
    unknown = sorted(set(given) - set(dialect.options) - COMMON_OPTIONS)
    if unknown:
        known = ", ".join(sorted({*dialect.options, *COMMON_OPTIONS}))
        raise InputError(
            f"{where}: dialect {dialect.name!r} has no option {unknown[0]!r}; it has: {known}"
        )
    values: dict[str, object] = {}
    for name, option in dialect.options.items():
        value = given.get(name, option.default)
        if value is None and option.needed:
            raise InputError(f"{where}: dialect {dialect.name!r} needs {name} ({option.about})")
        if value is not None and (wish := _unlike(value, option)):
            raise InputError(
                f"{where}: option {name!r} is {value!r}, it must be {wish} ({option.about})"
            )
        values[name] = value
    return values


def _unlike(value: object, option: Option) -> str:
    """What ``value`` should have been; "" where it may stand."""
    if option.choices:
        return "" if value in option.choices else " or ".join(map(repr, option.choices))
    if option.default is None or isinstance(value, type(option.default)):
        return ""
    if isinstance(option.default, bool):
        return "true or false"
    if isinstance(option.default, str):
        return "a text"
    is_number = isinstance(value, int | float | Decimal) and not isinstance(value, bool)
    return "" if is_number else "a number"


# Options of every instrument: the serial port's, the reader's, and the expected identity.
COMMON_OPTIONS = {
    "baud", "bytesize", "parity", "stopbits", "xonxoff", "rtscts", "identity", "setters",
}  # fmt: skip


def fill(template: str, values: Mapping[str, object]) -> str | None:
    """Return ``template`` with ``{name}`` replaced; None where one of them has no value.

    Raises InputError for a name that does not exist.
    """
    texts: dict[str, str] = {}
    for name in _VARIABLE.findall(template):
        if name not in values:
            raise InputError(f"{template!r} asks for {{{name}}}, which is not an option")
        if values[name] is None:
            return None
        texts[name] = to_wire(values[name])
    return _VARIABLE.sub(lambda match: texts[match[1]], template)
