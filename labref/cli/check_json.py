"""What a lab means, as JSON types: the machine's answer of ``labref check``."""

from __future__ import annotations

import math
from typing import Any

from labref.config.evidence import leans_on, unchecked_roots
from labref.config.lab import Lab, LabTransition, Witness
from labref.frequency.uncertainty import Part
from labref.model.errors import Problem
from labref.model.exact import exact_text
from labref.model.times import NS_PER_S, iso


def problem_json(problem: Problem) -> dict[str, Any]:
    """One problem or warning as JSON types; line 0 where no line is meant."""
    return {"line": problem.line, "where": problem.where, "what": problem.what}


def summary(lab: Lab) -> dict[str, Any]:
    """Everything that the tables of ``labref check`` show. Frequencies are decimal text in Hz."""
    return {
        "file": lab.file,
        "ok": True,
        "title": lab.title,
        "transitions": {t.name: _transition(lab, t) for t in lab.transitions.values()},
        "integers": {
            integer.name: {
                "value": integer.value,
                "evidence": integer.evidence,
                "found": None if integer.found_ns is None else iso(integer.found_ns, 0),
                "by": integer.by,
            }
            for integer in lab.integers.values()
        },
        "warnings": [problem_json(warning) for warning in lab.warnings],
    }


def _transition(lab: Lab, transition: LabTransition) -> dict[str, Any]:
    tolerance, budget = transition.tolerance, transition.budget
    return {
        "laser": transition.laser,
        "plane": transition.target.plane,
        "equation": transition.equation.text(),
        "sensitivity": [
            {
                "channel": name,
                "per_unit": exact_text(coefficient),
                "nominal": exact_text(lab.channels[name].nominal),
                "unit": lab.channels[name].unit,
                "loop": lab.channels[name].loop.value,
                "role": "assumed" if lab.channels[name].assumed else lab.channels[name].role.value,
                "reference": lab.channels[name].reference,
            }
            for name, coefficient in transition.equation.terms
        ],
        "nominal_hz": exact_text(transition.nominal_hz),
        "target_hz": exact_text(transition.target.hz),
        "tolerance_hz": [tolerance.lower_hz, tolerance.upper_hz],
        "forbidden_hz": [list(interval) for interval in tolerance.forbidden_hz],
        "k": tolerance.k,
        "gate_s": transition.gate_ns / NS_PER_S,
        "base": transition.base,
        "group": transition.group,
        "budget": [
            {
                "source": line.source,
                "part": "counting" if line.part is Part.COUNTING else "constant",
                "u_hz": abs(line.hz) if math.isfinite(line.hz) else None,
            }
            for line in budget.lines
        ],
        "u_constant_hz": transition.u_constant_hz,
        "asserted": transition.asserted,
        "witnesses": [_witness(witness) for witness in transition.witnesses],
        "needs": [_witness(need) for need in transition.needs],
        "leans_on": list(leans_on(transition)),
        "unwatched": list(transition.unwatched),
        "integers": list(transition.integers),
        "unchecked_references": unchecked_roots(lab, transition),
    }


def _witness(witness: Witness) -> dict[str, Any]:
    return {
        "name": witness.name,
        "kind": witness.kind,
        "channel": witness.channel,
        "within_hz": witness.within_hz,
        "limits": None if witness.limits is None else list(witness.limits),
        "u_hz": witness.u_hz,
        "calibrated_by": witness.calibrated_by,
    }
