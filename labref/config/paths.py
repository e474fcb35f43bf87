"""Ordered steps from the tap to the atoms, or to where a second instrument looks (M7)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from labref.config.draft import Draft, NotBuilt
from labref.config.equations import Equations
from labref.config.locate import Path
from labref.config.optics import Step as StepTable
from labref.frequency import path as steps
from labref.frequency.equation import Equation
from labref.model.errors import InputError

_ACTIONS = ("aom", "aom_hz", "eom", "eom_hz", "times", "sum", "difference")


@dataclass(frozen=True, slots=True)
class Route:
    """Two branches that start at the laser: to the tap, and to the plane."""

    laser_to_tap: tuple[steps.Step, ...]
    laser_to_plane: tuple[steps.Step, ...]
    channels: tuple[str, ...]
    lasers: tuple[str, ...]

    def forward(self, nu_tap: Equation, name: str) -> Equation:
        """Frequency at the plane of light that has ``nu_tap`` at the tap."""
        return steps.walk(
            nu_tap, name=name, laser_to_tap=self.laser_to_tap, laser_to_atoms=self.laser_to_plane
        )

    def backward(self, nu_plane: Equation, name: str) -> Equation:
        """Frequency at the tap of light that has ``nu_plane`` at the plane."""
        nu = nu_plane
        for step in reversed(self.laser_to_plane):
            nu = steps.backward(nu, step)
        for step in self.laser_to_tap:
            nu = steps.forward(nu, step)
        return nu.renamed(name)


def build_route(
    draft: Draft, equations: Equations, tables: Sequence[StepTable], node: str, path: Path
) -> Route:
    """Build all steps of ``path`` (the list's place); raises NotBuilt when any is wrong."""
    before: list[steps.Step] = []
    after: list[steps.Step] = []
    channels: list[str] = []
    lasers: list[str] = []
    failed = False
    for index, table in enumerate(tables):
        try:
            step = _step(draft, equations, table, f"{node}[{index}]", (*path, index))
        except NotBuilt:
            failed = True
            continue
        (before if table.before_tap else after).append(step)
        if isinstance(step, steps.Aom | steps.Eom):
            channels.append(str(step.frequency))
        elif isinstance(step, steps.Sum | steps.Difference):
            lasers.append(str(table.sum or table.difference))
    if failed:
        raise NotBuilt
    return Route(tuple(before), tuple(after), tuple(channels), tuple(lasers))


def _step(
    draft: Draft, equations: Equations, table: StepTable, node: str, path: Path
) -> steps.Step:
    given = [key for key in _ACTIONS if getattr(table, key) is not None]
    if len(given) != 1:
        shown = " and ".join(given) + " in one step" if given else "an empty step"
        raise draft.fail(path, f"{shown}: exactly one of {', '.join(_ACTIONS)} is meant")
    action = given[0]
    _check_companions(draft, table, action, path)
    try:
        return _made(draft, equations, table, action, node, path)
    except InputError as error:
        raise draft.refuse(path, error) from None


def _made(
    draft: Draft, equations: Equations, table: StepTable, action: str, node: str, path: Path
) -> steps.Step:
    if table.times is not None:
        return steps.Times(table.times)
    if table.sum is not None:
        return steps.Sum(equations.laser(table.sum, (*path, "sum")))
    if table.difference is not None:
        return steps.Difference(equations.laser(table.difference, (*path, "difference")))
    frequency = _frequency(draft, table, action, node, path)
    if action.startswith("aom"):
        return steps.Aom(table.order, frequency, table.passes)
    return steps.Eom(table.order, frequency)


def _frequency(draft: Draft, table: StepTable, action: str, node: str, path: Path) -> str:
    name = table.aom or table.eom
    if name is not None:
        return draft.channel(name, (*path, action)).name
    value = table.aom_hz if table.aom_hz is not None else table.eom_hz
    assert value is not None
    if table.reference is None and table.u_hz is None:
        raise draft.fail((*path, action), "a typed-in frequency needs its reference, or u_hz (M3)")
    return draft.assume(
        f"{node}.{action.removesuffix('_hz')}",
        Fraction(value),
        reference=table.reference,
        u=float(table.u_hz or 0),
        kind="aom" if action == "aom_hz" else "eom",
    ).name


def _check_companions(draft: Draft, table: StepTable, action: str, path: Path) -> None:
    modulator = action[:3] in ("aom", "eom")
    meaningless = []
    if table.order != 1 and not modulator:
        meaningless.append("order")
    if table.passes != 1 and not action.startswith("aom"):
        meaningless.append("passes")
    if not action.endswith("_hz"):
        meaningless += [key for key in ("reference", "u_hz") if getattr(table, key) is not None]
    for key in meaningless:
        draft.complaints.problem((*path, key), f"{key} has no meaning with {action}")
    if meaningless:
        raise NotBuilt
