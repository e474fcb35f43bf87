"""Transitions: target, tolerance, path, witnesses and whether the chain can judge at all."""

from __future__ import annotations

from contextlib import suppress
from fractions import Fraction
from typing import NamedTuple

from labref.config.draft import Draft, NotBuilt
from labref.config.equations import Equations
from labref.config.gates import Gates, base_gates
from labref.config.judgeable import check_target, check_tolerance
from labref.config.limits import limits_hz
from labref.config.locate import Path
from labref.config.nouns import LabTransition, Witness
from labref.config.paths import build_route
from labref.config.schema import TransitionTable
from labref.config.targets import build_target
from labref.config.transition_witnesses import find_witnesses, inherited_needs
from labref.frequency.equation import Equation
from labref.frequency.reference import corrected, nodes_of
from labref.frequency.transitions import Catalogue
from labref.frequency.uncertainty import Budget, Extra, Noise, budget
from labref.model.exact import exact_text
from labref.model.target import Target
from labref.model.times import seconds_to_ns
from labref.model.tolerance import Tolerance

# Standard acceleration of free fall over c^2, per metre of height (M14): 1.09e-16.
_REDSHIFT_PER_M = 9.80665 / 299_792_458.0**2
_LATENESS_NS = 200_000_000


def build_transitions(draft: Draft, equations: Equations, rows: Catalogue) -> None:
    """Build every transition that is in order; ``rows`` are the lines that can be named."""
    for name, table in draft.document.tables.transitions.items():
        try:
            draft.transitions[name] = _Builder(draft, equations, rows, name, table).build()
        except NotBuilt:
            continue


class _Rows(NamedTuple):
    tap: Equation
    plane: Equation
    asserted: bool


class _Builder:
    def __init__(
        self,
        draft: Draft,
        equations: Equations,
        rows: Catalogue,
        name: str,
        table: TransitionTable,
    ) -> None:
        self.draft, self.equations, self.rows = draft, equations, rows
        self.name, self.table = name, table
        self.path: Path = ("transitions", name)

    def build(self) -> LabTransition:
        target, tolerance = self._independent_parts()
        rows = self._rows()
        witnesses, needs = find_witnesses(
            self.draft, self.name, self.table, rows.tap, rows.plane, rows.asserted
        )
        needs += inherited_needs(self.draft, rows.plane, needs)
        lines = self._budget(rows.plane, target)
        nominal = rows.plane.nominal(self.draft.channels)
        check_target(self.draft, self.path, target, tolerance, nominal, rows.plane.integers)
        check_tolerance(self.draft, self.path, tolerance, lines, nominal)
        gates = self._gates(rows, witnesses)
        return LabTransition(
            self.name,
            self.table.laser,
            rows.plane,
            rows.tap,
            nominal,
            target,
            tolerance,
            witnesses,
            needs,
            tuple(self.table.unwatched),
            gates.base,
            gates.group,
            gates.gate_ns,
            self._lateness_ns(gates.gate_ns),
            lines,
            rows.asserted,
        )

    def _independent_parts(self) -> tuple[Target, Tolerance]:
        """Target and tolerance, which need nothing else of the file: both are always checked."""
        target = tolerance = None
        with suppress(NotBuilt):
            target = build_target(self.draft, self.rows, self.table, self.path)
        with suppress(NotBuilt):
            tolerance = self._tolerance()
        if self.table.plane == "atoms" and self.table.path_u_hz is None:
            self.draft.complaints.problem(
                (*self.path, "plane"),
                '"atoms" needs path_u_hz, a bound on what fibres and air add; else "tap" (M15)',
            )
        if target is None or tolerance is None:
            raise NotBuilt
        return target, tolerance

    def _tolerance(self) -> Tolerance:
        low, high = limits_hz(self.draft, self.rows, self.table, self.path)
        for index, (start, stop) in enumerate(self.table.forbidden_hz):
            where = (*self.path, "forbidden_hz", index)
            if not start < stop:
                raise self.draft.fail(where, f"[{start}, {stop}]: the lower end is smaller")
            if stop <= low or start >= high:
                raise self.draft.fail(
                    where,
                    f"[{start}, {stop}] lies outside the tolerance "
                    f"[{exact_text(low)}, {exact_text(high)}]",
                )
        forbidden = tuple((float(a), float(b)) for a, b in self.table.forbidden_hz)
        return Tolerance(float(low), float(high), forbidden, float(self.table.k))

    def _rows(self) -> _Rows:
        draft = self.draft
        place = (*self.path, "laser")
        tap = self.equations.laser(self.table.laser, place)
        route = build_route(
            draft,
            self.equations,
            self.table.path,
            f"transitions.{self.name}.path",
            (*self.path, "path"),
        )
        plane = route.forward(tap, self.name)
        draft.rest(
            f"transitions.{self.name}",
            f"lasers.{self.table.laser}",
            *(f"channels.{channel}" for channel in route.channels),
            *(f"lasers.{laser}" for laser in route.lasers),
        )
        self._check_terms(plane)
        lights = [tap, *(self.equations.laser(laser, place) for laser in route.lasers)]
        return _Rows(
            corrected(tap, draft.channels, draft.references),
            corrected(plane, draft.channels, draft.references),
            any(self._is_asserted(light) for light in lights),
        )

    def _is_asserted(self, light: Equation) -> bool:
        """Whether no term of a laser's own equation says anything about its light (M1).

        Shifters of the path are left out, and so are set-points that are read back: however
        they are known, they are no measurement of the light.
        """
        channels = [self.draft.channels[name] for name in light.channels]
        return all(c.is_asserted or c.hold_ns is not None for c in channels)

    def _check_terms(self, plane: Equation) -> None:
        """Every term names what makes it right (M3) and where it stands to its loop (M1)."""
        draft = self.draft
        for name in plane.channels:
            channel, table = draft.channels[name], draft.document.tables.channels.get(name)
            if table is None:  # typed in with the path, LO or cavity: checked there
                continue
            if channel.reference is None and channel.u == 0:
                owner = f" or of its instrument {table.instrument!r}" if table.instrument else ""
                draft.complaints.problem(
                    ("channels", name),
                    f"'reference' is missing: the node whose error scales it (of the channel"
                    f"{owner}), or u, the uncertainty of its own scale (M3)",
                )
            set_point = channel.is_asserted or channel.hold_ns is not None
            if "loop" not in draft.document.raw["channels"][name] and not set_point:
                draft.complaints.warning(
                    ("channels", name),
                    '\'loop\' is not declared and taken as "free": in a lock, "in" or "out" of '
                    "its loop decides what its readings prove (M1)",
                )

    def _budget(self, plane: Equation, target: Target) -> Budget:
        extras = [Extra("target", target.u_hz)]
        if self.table.path_u_hz is not None:
            extras.append(Extra("path", float(self.table.path_u_hz)))
        roots = {
            nodes[-1]
            for name in plane.channels
            if (nodes := nodes_of(self.draft.channels[name], self.draft.references))
        }
        extras += [
            Extra(f"height of {root.name}", abs(root.height_m) * _REDSHIFT_PER_M, fractional=True)
            for root in sorted(roots, key=lambda node: node.name)
            if root.height_m is not None
        ]
        noise = Noise(extras=tuple(extras))
        return budget(plane, self.draft.channels, self.draft.references, noise)

    def _gates(self, rows: _Rows, witnesses: tuple[Witness, ...]) -> Gates:
        beat = self.draft.document.tables.lasers[self.table.laser]
        gates = base_gates(self.draft.channels, rows.plane, beat, witnesses)
        if gates is None:
            raise self.draft.fail(
                self.path, "no channel of it, nor of its witnesses, is measured: nothing to judge"
            )
        return gates

    def _lateness_ns(self, gate_ns: int) -> int:
        if self.table.lateness_s is None:
            return gate_ns + _LATENESS_NS
        return seconds_to_ns(Fraction(self.table.lateness_s))
