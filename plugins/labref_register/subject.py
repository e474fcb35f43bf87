"""What an entry of the register is of: what the lab file uses for it, and what leans on it."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from labref.frequency.constants import C_M_PER_S, STANDARD_GRAVITY_M_PER_S2
from labref.frequency.reference import node_sensitivity
from labref.frequency.refractivity import Air, index, sensitivity
from labref.model.channel import Channel
from labref.model.errors import InputError
from labref.model.exact import exact

# Free fall over c^2: what a metre of height does to a clock (M14).
REDSHIFT_PER_M = STANDARD_GRAVITY_M_PER_S2 / float(C_M_PER_S) ** 2
# Sensors of the air that a wavemeter corrects for by itself, and the field of `Air`.
AIR = {
    "air.temperature": "temperature_c",
    "air.pressure": "pressure_pa",
    "air.humidity": "humidity",
}
# Kinds of assumed channels that a typed frequency becomes.
TYPED = ("aom", "eom", "lo")
NO_SUBJECT = (
    "{of!r} is no channel or reference of this file, nor references.NAME.height_m, a typed value "
    "such as transitions.NAME.path.0.aom_hz or combs.NAME.f_rep.lo_hz, instruments.NAME (its "
    "weighting), air.temperature, air.pressure or air.humidity"
)


@dataclass(frozen=True, slots=True)
class Subject:
    """What was calibrated.

    ``used``: the number that the lab file uses for it, exact, where it stands in ``key``; None:
    the lab file has none. ``own_u``: the uncertainty that the lab file gives it, under ``u_key``;
    None: it has no key for one. ``weigh`` gives Hz in a transition's own frequency per unit of
    the entry; 0 where only a witness or a need leans on it, None where nothing does.
    """

    of: str
    used: Fraction | None
    key: str
    own_u: float | None
    u_key: str
    weigh: Callable[[Any], float | None]


def subject_of(lab: Any, of: str, serves: Sequence[str] = ()) -> Subject | str:
    """The subject of an entry, or what is wrong with its ``of``. ``serves``: see `AIR`."""
    parts = of.split(".")
    if parts[0] == "references" and len(parts) in (2, 3) and parts[1] in lab.references:
        return _reference(lab, of, parts)
    if parts[0] == "channels" and len(parts) == 2 and parts[1] in lab.channels:
        return _channel(lab, of, lab.channels[parts[1]])
    if of in AIR:
        return _air(lab, of, serves)
    typed = lab.channels.get(_typed(of))
    if typed is not None and typed.kind in TYPED and typed.assumed and typed.name != of:
        key = _tidy(of)
        u_key = "" if typed.kind == "lo" else key.rpartition(".")[0] + ".u_hz"
        return Subject(of, typed.nominal, key, typed.u, u_key, _weigher([typed.name]))
    return NO_SUBJECT.format(of=of)


def typed_values(lab: Any) -> list[str]:
    """Every frequency that is typed into a path or a comb, by the key at which it stands."""
    found = [name for name, c in lab.channels.items() if c.assumed and c.kind in TYPED]
    return [f"{_tidy(name)}_hz" for name in found if "." in name]


def _reference(lab: Any, of: str, parts: list[str]) -> Subject | str:
    node = lab.references[parts[1]]
    if len(parts) == 2:
        used = exact_float(node.y)
        return Subject(of, used, f"{of}.y", node.u, f"{of}.u", _per_node(lab, node.name, 1.0))
    if parts[2] != "height_m":
        return f"{of!r}: of a reference its y (references.{node.name}) or its height_m"
    if node.parent is not None:
        return f"{of!r}: only the height of a root counts, which {node.name!r} is not (M14)"
    used_m = None if node.height_m is None else exact_float(node.height_m)
    return Subject(of, used_m, of, None, "", _per_node(lab, node.name, REDSHIFT_PER_M))


def _channel(lab: Any, of: str, channel: Channel) -> Subject:
    weigh = _weigher([channel.name])
    if channel.assumed:
        return Subject(of, channel.nominal, f"{of}.nominal_hz", channel.u, f"{of}.u", weigh)
    correction = lab.corrections.get(of)
    if correction is None:
        return Subject(of, Fraction(0), f"{of}.correction.hz", channel.u, f"{of}.u", weigh)
    own_u = math.hypot(channel.u, float(correction.u_hz))
    return Subject(of, exact(correction.hz), f"{of}.correction.hz", own_u, f"{of}.u", weigh)


def _air(lab: Any, of: str, serves: Sequence[str]) -> Subject | str:
    unknown = [name for name in serves if name not in lab.channels]
    if unknown or not serves:
        what = f"no channel {unknown[0]!r}" if unknown else "nothing"
        return f"{of!r} serves {what}: serves lists the wavemeter channels that rest on it"
    try:
        scales = {name: air_hz_per_unit(lab.channels[name], AIR[of]) for name in serves}
    except InputError as error:
        return f"{of!r} serves {', '.join(serves)}: {error}"
    # The least that any channel says of itself must cover the sensor: in units of the sensor.
    own_u = min(lab.channels[name].u / abs(scales[name]) for name in serves)
    weigh = _weigher(serves, scales)
    return Subject(of, Fraction(0), "", own_u, f"u of {', '.join(serves)}", weigh)


def air_hz_per_unit(channel: Channel, field: str) -> float:
    """What one unit of a sensor does to a wavemeter's frequency: nu/n dn/dq (Ciddor 1996).

    In air of 20 degrees, 101 325 Pa and half saturated. Raises InputError outside 0.2 to 2 um.
    """
    air, hz = Air(), float(channel.nominal)
    if channel.unit != "Hz" or hz <= 0:
        raise InputError(f"channel {channel.name!r} is no optical frequency")
    vacuum_um = float(C_M_PER_S) / hz * 1e6
    return hz * sensitivity(vacuum_um, air, field) / index(vacuum_um, air)


def exact_float(value: float) -> Fraction:
    """A float by its shortest decimal text, exact."""
    return exact(repr(value))


def _per_node(lab: Any, node: str, scale: float) -> Callable[[Any], float | None]:
    def weigh(transition: Any) -> float | None:
        nodes = node_sensitivity(transition.equation, lab.channels, lab.references)
        return scale * nodes[node] if node in nodes else None

    return weigh


def _weigher(
    names: Sequence[str], scales: Mapping[str, float] | None = None
) -> Callable[[Any], float | None]:
    """Coefficients in the own equation, added (one sensor moves all alike); 0 beside it."""

    def weigh(transition: Any) -> float | None:
        equation = transition.equation
        own = [n for n in names if n in equation.channels]
        if own:
            return sum(float(equation.coefficient(n)) * (scales or {}).get(n, 1.0) for n in own)
        beside = {c for w in (*transition.witnesses, *transition.needs) for c in w.channels}
        return 0.0 if beside & set(names) else None

    return weigh


def _tidy(of: str) -> str:
    return re.sub(r"\[(\d+)\]", r".\1", of)


def _typed(of: str) -> str:
    """The assumed channel of a typed value: combs.a.f_rep.lo_hz, transitions.t.path.0.aom_hz."""
    return re.sub(r"\.(\d+)(?=\.|$)", r"[\1]", _tidy(of)).removesuffix("_hz")
