"""References and channels: from tables to the model's values, and who feeds what."""

from __future__ import annotations

from fractions import Fraction

from labref.config.draft import Draft, NotBuilt
from labref.config.fields import Number
from labref.config.locate import Path
from labref.config.schema import ChannelTable, ReferenceTable
from labref.config.units import hz_text
from labref.model.channel import Channel, Loop, Role, Weighting
from labref.model.exact import exact_text
from labref.model.reference import Reference
from labref.model.times import seconds_to_ns

_LONGEST_GATE_S = 1000
_SLOWEST_COMB_HZ = 1_000_000


def build_references(draft: Draft) -> None:
    """Build every reference whose whole chain is in order (M3)."""
    tables = draft.document.tables.references
    for name, table in tables.items():
        path: Path = ("references", name)
        if _reference_in_order(draft, name, table, path):
            draft.references[name] = Reference(
                name,
                float(table.u),
                table.kind,
                table.parent,
                float(table.y),
                table.checked,
                None if table.height_m is None else float(table.height_m),
            )
            draft.rest(f"references.{name}", *([f"references.{table.parent}"] * bool(table.parent)))
    while broken := [
        name
        for name, node in draft.references.items()
        if node.parent is not None and node.parent not in draft.references
    ]:
        for name in broken:
            del draft.references[name]


def _reference_in_order(draft: Draft, name: str, table: ReferenceTable, path: Path) -> bool:
    before = len(draft.complaints.problems)
    for key, value in (("u", table.u), ("y", table.y)):
        if abs(Fraction(value)) >= Fraction(1, 1000):
            draft.complaints.problem(
                (*path, key), f"{value} is no fractional value of a reference, such as 1e-12"
            )
    if table.parent is not None and draft.declared("references", table.parent):
        trail = _loop_from(draft, name)
        if trail:
            draft.complaints.problem((*path, "parent"), f"reference loop: {' -> '.join(trail)}")
    return len(draft.complaints.problems) == before


def _loop_from(draft: Draft, name: str) -> list[str]:
    """Return the closed chain of parents through ``name``, or []."""
    trail = [name]
    tables = draft.document.tables.references
    while (table := tables.get(trail[-1])) is not None and table.parent is not None:
        trail.append(table.parent)
        if table.parent == name:
            return trail
        if trail.count(table.parent) > 1:
            return []
    return []


def build_channels(draft: Draft) -> None:
    """Build every channel that is in order, with its feed, reference and gate group."""
    for name, table in draft.document.tables.channels.items():
        path: Path = ("channels", name)
        try:
            draft.channels[name] = _channel(draft, name, table, path)
        except NotBuilt:
            continue


def _channel(draft: Draft, name: str, table: ChannelTable, path: Path) -> Channel:
    before = len(draft.complaints.problems)
    nominal = _nominal(draft, table, path)
    reference = _feed(draft, name, table, path)
    gate_ns = _check_gate(draft, table, path)
    if table.assumed and table.store is not None:
        draft.complaints.problem((*path, "store"), "an assumed value has no readings to store")
    if table.assumed and table.role == "eliminated":
        draft.complaints.problem((*path, "role"), 'an assumed value is not counted: role "set"')
    if table.sigma is not None and table.counter_sigma > table.sigma:
        draft.complaints.problem(
            (*path, "counter_sigma"),
            f"{table.counter_sigma} is larger than sigma = {table.sigma}: it is a part of it",
        )
    if table.role == "set" and not table.assumed and not (table.sigma or table.u):
        draft.complaints.problem(
            path,
            "'sigma' is missing: a set value that is read back must agree within 3 sigma (M10)",
        )
    if len(draft.complaints.problems) > before:
        raise NotBuilt
    draft.rest(f"channels.{name}", *([f"references.{reference}"] * bool(reference)))
    return Channel(
        name,
        nominal,
        unit=table.unit,
        kind=table.kind,
        loop=Loop(table.loop),
        role=Role.SET if table.assumed else Role(table.role),
        group=table.group or _default_group(draft, name, table),
        reference=reference,
        gate_ns=gate_ns,
        dead_time_ns=seconds_to_ns(Fraction(table.dead_time_s)),
        weighting=Weighting(table.weighting),
        sigma=None if table.sigma is None else float(table.sigma),
        counter_sigma=float(table.counter_sigma),
        u=float(table.u),
        rate_per_s=float(table.rate_per_s),
        hold_ns=None if table.hold_s is None else seconds_to_ns(Fraction(table.hold_s)),
        assumed=table.assumed,
        keeps_all=table.store == "all",
    )


def _nominal(draft: Draft, table: ChannelTable, path: Path) -> Fraction:
    given = {
        key: value
        for key in ("nominal_hz", "nominal", "dds")
        if (value := getattr(table, key)) is not None
    }
    if len(given) != 1:
        what = (
            "nominal_hz is missing: the exact value that readings are offsets from (or nominal "
            "with a unit, or dds)"
            if not given
            else f"{' and '.join(given)} say the same thing: keep one"
        )
        raise draft.fail(path, what)
    key = next(iter(given))
    if key != "nominal" and table.unit != "Hz":
        raise draft.fail((*path, key), f"the unit is {table.unit!r}: write nominal instead")
    if table.dds is not None:
        if table.dds.word >= 2**table.dds.bits:
            raise draft.fail(
                (*path, "dds", "word"), f"{table.dds.word} does not fit in {table.dds.bits} bits"
            )
        return Fraction(table.dds.word, 2**table.dds.bits) * Fraction(table.dds.clock_hz)
    value = Fraction(given[key])
    _check_size(draft, table, value, (*path, key))
    return value


def _check_size(draft: Draft, table: ChannelTable, value: Fraction, path: Path) -> None:
    """A nominal that can only have been meant in another unit."""
    if table.unit != "Hz" or value == 0:
        return
    shown = hz_text(value)
    if table.kind == "f_rep" and 0 < value < _SLOWEST_COMB_HZ:
        draft.complaints.problem(
            path, f"{shown} is no repetition rate: the key is in Hz (250 MHz is 250000000)"
        )
    elif table.kind == "wavemeter" and value < 10**13:
        draft.complaints.problem(
            path,
            f"{shown} is no optical frequency: the key is in Hz (411.04 THz is 411040000000000)",
        )
    elif abs(value) < 1000:
        draft.complaints.warning(path, f"{shown} is a low radio frequency: is Hz meant?")


def _check_gate(draft: Draft, table: ChannelTable, path: Path) -> int:
    if table.gate_s > _LONGEST_GATE_S:
        draft.complaints.problem(
            (*path, "gate_s"),
            f"{table.gate_s} s is no gate of a counter: the key is in seconds, up to "
            f"{_LONGEST_GATE_S} s",
        )
    return seconds_to_ns(Fraction(table.gate_s))


def _feed(draft: Draft, name: str, table: ChannelTable, path: Path) -> str | None:
    """Check who feeds the channel; return its reference, perhaps that of the instrument."""
    logged = [log for log, t in draft.document.tables.logs.items() if name in t.columns]
    reference = table.reference
    if table.instrument is not None:
        if draft.declared("instruments", table.instrument):
            instrument = draft.document.tables.instruments.get(table.instrument)
            if reference is None and instrument is not None:
                reference = instrument.reference
        if table.input is None:
            draft.complaints.problem(
                path, "'input' is missing: which input or quantity of the instrument"
            )
        else:
            draft.feeds[name] = (table.instrument, table.input)
    elif table.input is not None:
        draft.complaints.problem((*path, "input"), "an input needs its instrument")
    _check_feed(draft, table, path, bool(logged))
    if reference is not None and reference not in draft.references:
        raise NotBuilt
    return reference


def _check_feed(draft: Draft, table: ChannelTable, path: Path, logged: bool) -> None:
    """A channel has exactly one kind of feed; an assumed value has none."""
    fed = table.instrument is not None or logged
    if table.assumed and (fed or table.pushed):
        draft.complaints.problem(
            (*path, "assumed"), "an assumed value is not fed: remove assumed, or its feed"
        )
    elif table.pushed and fed:
        draft.complaints.problem(
            (*path, "pushed"), "the experiment pushes what nothing else feeds: remove one of both"
        )
    elif not (table.assumed or table.pushed or fed or _log_is_broken(draft)):
        draft.complaints.problem(
            path,
            "nothing feeds this channel: it needs instrument and input, a column of a log, "
            "pushed = true or assumed = true",
        )


def _log_is_broken(draft: Draft) -> bool:
    """Whether some log could not be read, so that it may feed anything."""
    return len(draft.document.names("logs")) > len(draft.document.tables.logs)


def _default_group(draft: Draft, name: str, table: ChannelTable) -> str:
    """Gate group where none is declared: same source, gate, weighting and dead time (M11)."""
    logs = [log for log, t in draft.document.tables.logs.items() if name in t.columns]
    other = "pushed" if table.pushed else "assumed"
    source = table.instrument or (logs[0] if logs else other)
    group = f"{source}:{_seconds(table.gate_s)}:{table.weighting}"
    return f"{group}:{_seconds(table.dead_time_s)} dead" if table.dead_time_s else group


def _seconds(value: Number) -> str:
    """One text for one duration, however it is written (1, 1.0, 1e0)."""
    return f"{exact_text(Fraction(value))}s"


def check_groups(draft: Draft) -> None:
    """Channels of one gate group have one gate, weighting and dead time, kept one way (M11)."""
    first: dict[str, str] = {}
    for name in draft.document.tables.channels:
        channel = draft.channels.get(name)
        if channel is None or channel.assumed:
            continue
        other = draft.channels[first.setdefault(channel.group, name)]
        for key in ("gate_ns", "weighting", "dead_time_ns"):
            if getattr(channel, key) != getattr(other, key):
                draft.complaints.problem(
                    ("channels", name, "group"),
                    f"group {channel.group!r} also holds {other.name!r}, whose "
                    f"{key.removesuffix('_ns')} differs: a group has one gate (M11)",
                )
        if channel.gate_ns == other.gate_ns and channel.mean_of != other.mean_of:
            draft.complaints.problem(
                ("channels", name, "store"),
                f"group {channel.group!r} also holds {other.name!r}, of which the trace keeps "
                f'{_kept(other)}: say store = "all" for all of a group or for none (M11)',
            )


def _kept(channel: Channel) -> str:
    return "every gate" if channel.mean_of == 1 else f"means of {channel.mean_of} gates"


def check_feeds(draft: Draft) -> None:
    """No input of an instrument feeds two channels: every reading has one name."""
    seen: dict[tuple[str, int | str], str] = {}
    for name, feed in draft.feeds.items():
        other = seen.setdefault(feed, name)
        if other != name:
            draft.complaints.problem(
                ("channels", name, "input"),
                f"input {feed[1]!r} of {feed[0]!r} already feeds channel {other!r}",
            )


def check_instruments(draft: Draft) -> None:
    """Two instruments do not share an address."""
    seen: dict[str, str] = {}
    for name, table in draft.document.tables.instruments.items():
        path: Path = ("instruments", name)
        other = seen.setdefault(table.address, name)
        if other != name:
            draft.complaints.problem(
                (*path, "address"), f"instrument {other!r} already answers at {table.address}"
            )


__all__ = [
    "build_channels",
    "build_references",
    "check_feeds",
    "check_groups",
    "check_instruments",
]
