"""From a use of the lab file to what it needs: rates and cooling here, coherent uses beside.

Every function reads a `Line` (what is known of the transition) and a use's table, and returns a
requirement whose limits are relative to the *target*, intended offset included.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from labref.config.uses import UseTable
from labref.model.errors import InputError
from labref.model.text import quantity
from labref.planning import bloch, cooling, lines
from labref.planning.requirement import Criterion, Requirement, width

COMMON = "common practice, no source"


@dataclass(frozen=True)
class Line:
    """What planning knows of a transition.

    Attributes:
        nu_hz: the light at the atoms, Hz (a scale, never a reading). harmonic: that over the tap.
        linewidth_hz: Gamma/2pi of the catalogue, None where unknown.
        offset_hz: intended offset from the line, positive to the blue.
        k: coverage factor of its verdicts.
    """

    name: str
    nu_hz: float
    harmonic: float
    species: str
    linewidth_hz: float | None
    offset_hz: float
    k: float


Maker = Callable[[Line, str, UseTable, Mapping[str, Line], float], Requirement]


def gamma_of(line: Line, use: UseTable) -> float:
    """Linewidth Gamma/2pi in Hz: the use's own, else the catalogue's; raises InputError."""
    if use.linewidth_hz is not None:
        return float(use.linewidth_hz)
    if not line.linewidth_hz:
        raise InputError(
            f"{line.name}: the catalogue knows no linewidth of this line; add linewidth_hz "
            "(Gamma/2pi) to its use"
        )
    return line.linewidth_hz


def base(line: Line, name: str, use: UseTable, recalibrate_s: float, source: str) -> Requirement:
    """A requirement without limits, to be completed."""
    own = use.recalibrate_s
    return Requirement(
        use=name,
        kind=use.kind,
        lower_hz=-math.inf,
        upper_hz=math.inf,
        shot_s=float(use.shot_s),
        recalibrate_s=recalibrate_s if own is None else float(own),
        source=source,
        k=line.k,
    )


def pair_factor(line: Line, use: UseTable, others: Mapping[str, Line]) -> float:
    """Errors of the difference over errors of this light: both independent, or one laser's."""
    if use.same_laser:
        return 0.0
    assert use.pair is not None
    return math.hypot(1.0, others[use.pair].nu_hz / line.nu_hz)


def photo_ionisation(
    line: Line, name: str, use: UseTable, others: Mapping[str, Line], recalibrate_s: float
) -> Requirement:
    """Scattering rate of a (moving) two-level atom; also optical pumping and two-photon lines."""
    gamma, s, loss = gamma_of(line, use), float(use.saturation), float(use.loss)
    limit = lines.voigt_limit_hz(gamma, s, loss, float(use.doppler_fwhm_hz))
    facts: tuple[str, ...] = ()
    source, factor = "arXiv:physics/0310044", 1.0
    if use.kind == "optical-pumping":
        source = f"rate of a two-level atom; {COMMON}"
    if use.kind == "two-photon" and use.pair is None:
        # Both photons come from this laser: its error counts twice.
        limit, source = limit / 2.0, f"Lorentzian of the sum frequency; {COMMON}"
    elif use.kind == "two-photon":
        factor, source = pair_factor(line, use, others), f"Lorentzian of the sum; {COMMON}"
    if use.isotope_shift_hz is not None and use.isotope_ratio is not None:
        share = lines.neighbour(gamma, s, float(use.isotope_shift_hz), float(use.isotope_ratio))
        facts = (
            f"the isotope {quantity(float(use.isotope_shift_hz))} away is ionised {share:.1e} \
times as often",
        )
    return _with(
        base(line, name, use, recalibrate_s, source),
        (-limit, limit),
        criteria=(width(limit, float(use.shot_s), COMMON),),
        facts=facts,
        factor=factor,
        relative_to=use.pair,
    )


def doppler(
    line: Line, name: str, use: UseTable, _others: Mapping[str, Line], recalibrate_s: float
) -> Requirement:
    """Temperature at most (1 + excess) times the Doppler minimum; the blue side is forbidden."""
    gamma, excess = gamma_of(line, use), float(use.excess)
    low, high = cooling.doppler_window_hz(gamma, float(use.saturation), excess, line.offset_hz)
    best = -0.5 * gamma * math.sqrt(1.0 + float(use.saturation))
    coldest = cooling.doppler_temperature_k(best, gamma, float(use.saturation))
    return _with(
        base(line, name, use, recalibrate_s, "Leibfried et al., RMP 75, 281 (2003)"),
        (low - line.offset_hz, high - line.offset_hz),
        criteria=(width(excess * gamma, float(use.shot_s), "T grows by 1 + width/Gamma"),),
        facts=(
            f"coldest at {quantity(best)} from the line: {quantity(coldest, unit='K', sign=False)} "
            "with isotropic emission; at and above the line it heats",
        ),
    )


def repumping(
    line: Line, name: str, use: UseTable, others: Mapping[str, Line], recalibrate_s: float
) -> Requirement:
    """Fluorescence of the Lambda system: the difference of the two detunings must stay."""
    assert use.pair is not None
    assert use.rabi_hz is not None
    assert use.pair_rabi_hz is not None
    assert use.branching is not None
    gamma, cooler = gamma_of(line, use), others[use.pair]
    low, high = bloch.repump_window_hz(
        cooler.offset_hz,
        float(use.pair_rabi_hz),
        float(use.rabi_hz),
        gamma,
        float(use.branching),
        float(use.kept),
        line.offset_hz,
    )
    dark = cooler.offset_hz - line.offset_hz
    return _with(
        base(line, name, use, recalibrate_s, "Bloch equations, arXiv:0708.0332"),
        (low - line.offset_hz, high - line.offset_hz),
        criteria=(width(0.1 * gamma, float(use.shot_s), COMMON),),
        facts=(f"dark resonance at {quantity(dark)} from the target: same detuning as {use.pair}",),
        factor=pair_factor(line, use, others),
        relative_to=use.pair,
    )


def eit(
    line: Line, name: str, use: UseTable, others: Mapping[str, Line], recalibrate_s: float
) -> Requirement:
    """The pair's difference must stay well within the bright resonance's width."""
    assert use.detuning_hz is not None
    assert use.trap_hz is not None
    gamma, delta = gamma_of(line, use), float(use.detuning_hz)
    found = cooling.eit_width_hz(delta, float(use.trap_hz), gamma)
    rabi = cooling.eit_rabi_hz(delta, float(use.trap_hz))
    limit = float(use.error) * found
    return _with(
        base(line, name, use, recalibrate_s, "arXiv:quant-ph/0107087"),
        (-limit, limit),
        criteria=(width(limit, float(use.shot_s), COMMON),),
        facts=(
            f"width of the bright resonance {quantity(found, sign=False)} with a Rabi frequency of "
            f"{quantity(rabi, sign=False)}; limits are {float(use.error)} of it",
        ),
        factor=pair_factor(line, use, others),
        relative_to=use.pair,
    )


def narrow_line(
    line: Line, name: str, use: UseTable, _others: Mapping[str, Line], recalibrate_s: float
) -> Requirement:
    """The cloud must not move by more than position_m; the laser must be narrower than the line."""
    assert use.g is not None
    assert use.gradient_t_per_m is not None
    assert use.position_m is not None
    gamma, s = gamma_of(line, use), float(use.saturation)
    slope = cooling.narrow_position_m_per_hz(abs(float(use.g)), float(use.gradient_t_per_m))
    limit = float(use.position_m) / slope
    coldest = cooling.narrow_temperature_k(gamma, s)
    return _with(
        base(line, name, use, recalibrate_s, "arXiv:physics/0407021"),
        (-limit, limit),
        criteria=(width(0.5 * gamma * math.sqrt(1.0 + s), float(use.shot_s), COMMON),),
        facts=(
            f"temperature {quantity(coldest, unit='K', sign=False)}; the cloud moves by "
            f"{quantity(slope * 1e3, unit='m', sign=False)} per kHz",
        ),
    )


def lattice(
    line: Line, name: str, use: UseTable, _others: Mapping[str, Line], recalibrate_s: float
) -> Requirement:
    """The light shift's slope (Hz per Hz) times the detuning must stay below allowed_hz."""
    assert use.slope is not None
    assert use.allowed_hz is not None
    if not use.slope:
        raise InputError(f"{line.name}: slope 0 asks for nothing")
    limit = float(use.allowed_hz) / abs(float(use.slope))
    source = use.source or f"linear shift with the slope stated in the lab file; {COMMON}"
    return _with(base(line, name, use, recalibrate_s, source), (-limit, limit))


def _with(
    found: Requirement,
    limits: tuple[float, float],
    *,
    criteria: tuple[Criterion, ...] = (),
    facts: tuple[str, ...] = (),
    factor: float = 1.0,
    relative_to: str | None = None,
) -> Requirement:
    return replace(
        found,
        lower_hz=limits[0],
        upper_hz=limits[1],
        criteria=criteria,
        facts=facts,
        pair_factor=factor,
        relative_to=relative_to,
    )
