"""Uses that need the light's phase: pulses, Raman, Ramsey, clocks, resolved sidebands."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from labref.config.uses import UseTable
from labref.model.errors import InputError
from labref.model.text import quantity
from labref.planning import clocks, cooling, pulses
from labref.planning.entries import Entries
from labref.planning.requirement import Criterion, Requirement
from labref.planning.uses import COMMON, Line, base, pair_factor

_PULSE = "arXiv:2112.04946"


def pulse(
    line: Line, name: str, use: UseTable, _others: Mapping[str, Line], recalibrate_s: float
) -> Requirement:
    """Infidelity of a pi pulse: (delta/W)^2 and noise near the Rabi frequency, half each."""
    assert use.rabi_hz is not None
    rabi, error = float(use.rabi_hz), float(use.error)
    # Half of the allowed error each for the offset and for the noise.
    limit = rabi * math.sqrt(error / 2.0)
    return replace(
        base(line, name, use, recalibrate_s, f"(delta/W)^2; {_PULSE}"),
        lower_hz=-limit,
        upper_hz=limit,
        coherent=True,
        criteria=(_pulse_noise(rabi, error / 2.0),),
    )


def raman(
    line: Line, name: str, use: UseTable, others: Mapping[str, Line], recalibrate_s: float
) -> Requirement:
    """The difference as in a pulse; the common detuning by dW/W = -dDelta/Delta."""
    assert use.rabi_hz is not None
    assert use.detuning_hz is not None
    rabi, error = float(use.rabi_hz), float(use.error)
    # sin^2(pi/2 dW/W) of over- or underrotation may use up half the error.
    common = abs(float(use.detuning_hz)) * 2.0 / math.pi * math.asin(math.sqrt(error / 2.0))
    facts = (f"the common detuning may be off by {quantity(common, sign=False)}",)
    found = base(line, name, use, recalibrate_s, "Ozeri et al., PRA 75, 042329 (2007)")
    if use.same_laser:
        note = "both beams are one laser's light: their difference is a radio frequency"
        return replace(found, lower_hz=-common, upper_hz=common, facts=(*facts, note))
    limit = min(rabi * math.sqrt(error / 2.0), common)
    return replace(
        found,
        lower_hz=-limit,
        upper_hz=limit,
        coherent=True,
        criteria=(_pulse_noise(rabi, error / 4.0),),
        facts=facts,
        pair_factor=pair_factor(line, use, others),
        relative_to=use.pair,
    )


def ramsey(
    line: Line, name: str, use: UseTable, _others: Mapping[str, Line], recalibrate_s: float
) -> Requirement:
    """Contrast exp(-phi^2/2) by noise, and the phase 2 pi delta T within a quarter of a fringe."""
    assert use.dark_s is not None
    dark = float(use.dark_s)
    variance = -2.0 * math.log(float(use.contrast))

    def evaluate(light: Entries) -> float:
        if light.s_nu is None:
            return math.nan
        band = pulses.noise_band_hz(dark)
        return pulses.weighted_noise(light.s_nu, pulses.ramsey_weight(dark), *band)

    criterion = Criterion(
        "noise over the dark time", dark, variance, "rad^2", evaluate, "arXiv:1303.6741"
    )
    # Beyond a quarter of a fringe a measured phase is no longer unique.
    return replace(
        base(line, name, use, recalibrate_s, f"arXiv:1303.6741; a quarter of a fringe, {COMMON}"),
        lower_hz=-0.25 / dark,
        upper_hz=0.25 / dark,
        coherent=True,
        criteria=(criterion,),
    )


def clock(
    line: Line, name: str, use: UseTable, _others: Mapping[str, Line], recalibrate_s: float
) -> Requirement:
    """Dick sum against the wanted instability (or projection noise), servo lag, capture range."""
    assert use.probe_s is not None
    assert use.cycle_s is not None
    probe, cycle = float(use.probe_s), float(use.cycle_s)
    if probe >= cycle:
        raise InputError(f"{line.name}: probe_s {probe} s does not fit into cycle_s {cycle} s")
    own = clocks.projection_sigma_y(line.nu_hz, probe, cycle, use.atoms, 1.0)
    wanted = own if use.sigma_y is None else float(use.sigma_y)

    def dick(light: Entries) -> float:
        return _dick(light, probe, cycle)

    def lag(light: Entries) -> float:
        return clocks.servo_lag_hz(light.drift_hz_per_s(), cycle, float(use.gain))

    criteria = [
        Criterion(
            "aliased noise (Dick effect) at 1 s",
            cycle,
            wanted,
            "1",
            dick,
            "Santarelli et al., UFFC 45, 887 (1998), from memory",
        )
    ]
    if use.allowed_hz is not None:
        text = "Peik et al., J. Phys. B 39, 145 (2006), from memory"
        criteria.append(Criterion("servo lag", cycle, float(use.allowed_hz), "Hz", lag, text))
    # The line is 0.8/probe wide (Rabi): the servo finds it within half its width.
    limit = 0.4 / probe
    return replace(
        base(line, name, use, recalibrate_s, f"half the Fourier width of the probe; {COMMON}"),
        lower_hz=-limit,
        upper_hz=limit,
        coherent=True,
        criteria=tuple(criteria),
        facts=(f"projection noise {own:.1e} at 1 s with {use.atoms} atoms",),
    )


def sideband(
    line: Line, name: str, use: UseTable, _others: Mapping[str, Line], recalibrate_s: float
) -> Requirement:
    """A sideband pulse of Rabi frequency eta W; noise at the trap frequency drives the carrier."""
    assert use.rabi_hz is not None
    assert use.trap_hz is not None
    assert use.eta is not None
    rabi, trap, eta = float(use.rabi_hz), float(use.trap_hz), float(use.eta)
    error = float(use.error)

    def evaluate(light: Entries) -> float:
        if light.s_nu is None:
            return math.nan
        return cooling.carrier_by_noise(float(light.s_nu.at(trap)), trap, rabi, eta)

    at_trap = Criterion(
        "noise at the trap frequency", 1.0 / trap, error, "1", evaluate, "golden rule, derived here"
    )
    limit = eta * rabi * math.sqrt(error / 2.0)
    return replace(
        base(line, name, use, recalibrate_s, "RMP 75, 281 (2003); (delta/eta W)^2"),
        lower_hz=-limit,
        upper_hz=limit,
        coherent=True,
        criteria=(at_trap, _pulse_noise(eta * rabi, error / 2.0)),
    )


def _pulse_noise(rabi_hz: float, limit: float) -> Criterion:
    """Infidelity of a pi pulse by noise, at most `limit`."""
    time_s = 0.5 / rabi_hz

    def evaluate(light: Entries) -> float:
        if light.s_nu is None:
            return math.nan
        weight = pulses.pulse_weight(rabi_hz, time_s)
        return pulses.weighted_noise(light.s_nu, weight, *pulses.noise_band_hz(time_s))

    return Criterion("noise at the Rabi frequency", time_s, limit, "1", evaluate, _PULSE)


def _dick(light: Entries, probe_s: float, cycle_s: float) -> float:
    """Dick sum at 1 s; NaN where S_nu is unknown within the first 400 harmonics of the cycle."""
    if light.s_nu is None:
        return math.nan
    noise, nu = light.s_nu, light.nu_hz
    return clocks.dick_sigma_y(lambda f: noise.at(f) / nu**2, probe_s, cycle_s, 1.0, terms=400)
