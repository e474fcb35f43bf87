"""The state of this moment as one answer, from the pass's snapshot and what was heard."""

from __future__ import annotations

import math
from typing import Any

from labref.config.lab import LabTransition
from labref.model.exact import exact_text
from labref.model.tolerance import Tolerance
from labref.model.verdict import NOTHING, State
from labref.session.enquiries import Enquiries
from labref.session.status import Status
from labref_web import structs
from labref_web.alarm_book import AlarmBook
from labref_web.health import Health
from labref_web.words import at, known, word

C_M_S = 299_792_458


class Board:
    """Builds `structs.State`. Used by the service's thread only."""

    def __init__(self, enquiries: Enquiries, alarms: AlarmBook, health: Health) -> None:
        self._enquiries, self._alarms, self._health = enquiries, alarms, health
        self._fixed = {
            name: _fixed(transition) for name, transition in enquiries.lab.transitions.items()
        }

    def state(self, now_ns: int, sequence: int) -> structs.State:
        """Everything of this moment."""
        asked = self._enquiries
        status = asked.status
        acting = asked.act(do="state")
        found = acting.get("state", {"hands_on": "", "actuators": {}})
        return structs.State(
            lab=asked.lab.title,
            session=self._session(status),
            now_ns=now_ns,
            now=at(now_ns),
            sequence=sequence,
            transitions=[self._transition(name, status) for name in self._fixed],
            instruments=self._health.instruments(now_ns),
            references=self._health.references(now_ns),
            alarms=self._alarms.standing,
            actuators=[
                structs.ActuatorView(
                    name=name,
                    armed_by=one["armed_by"],
                    running=one["running"],
                    waits_for=one["waits_for"],
                )
                for name, one in found["actuators"].items()
            ],
            hands_on=found["hands_on"] or None,
        )

    def _session(self, status: Status) -> structs.Session:
        asked = self._enquiries
        problem = asked.storage_problem or asked.standing_faults.get("trace")
        return structs.Session(
            started_ns=asked.started_ns,
            started=at(asked.started_ns),
            recording=asked.folder is not None and problem is None,
            rehearsal=asked.rehearsal,
            problem=problem,
            passes=status.passes,
        )

    def _transition(self, name: str, status: Status) -> structs.Transition:
        standing, verdict = status.standings[name], status.verdict(name)
        is_current = verdict is standing.verdict
        offset, whys = self._last_gate(name, verdict.state) if is_current else (None, [])
        return structs.Transition(
            **self._fixed[name],
            state=word(verdict.state),
            since_ns=verdict.since_ns,
            since=at(verdict.since_ns),
            stop_ns=standing.stop_ns or None,
            stop=at(standing.stop_ns) if standing.stop_ns else None,
            reason=verdict.reason,
            clears=verdict.clears,
            reasons=whys or _only(verdict.reason, verdict.clears),
            # A value that is too old to judge by is not shown as if it were now.
            detuning_hz=known(standing.detuning_hz) if is_current else None,
            u_hz=known(standing.u_hz) if is_current else None,
            distance=self._distance(name, standing.detuning_hz) if is_current else None,
            offset_hz=offset,
            leans_on=list(verdict.leans_on),
        )

    def _distance(self, name: str, detuning_hz: float) -> float | None:
        return distance(self._enquiries.lab.transitions[name].tolerance, detuning_hz)

    def _last_gate(self, name: str, state: State) -> tuple[float | None, list[structs.Why]]:
        """Offset of the last gate, and what every check says that does not call it good."""
        result = self._enquiries.newest(name)
        if result is None:
            return None, []
        offset = known(float(result.frequencies.offset[-1]))
        if state is State.GOOD:
            return offset, []
        found = []
        for judgement in result.judgements:
            reason = judgement.texts[int(judgement.reasons[-1])]
            if judgement.states[-1] != State.GOOD and reason != NOTHING:
                kind = reason.kind or judgement.check
                found.append(structs.Why(kind=kind, text=reason.text, clears=reason.clears))
        return offset, list(dict.fromkeys(found))  # what several checks say is said once


def distance(tolerance: Tolerance, detuning_hz: float) -> float | None:
    """|detuning| over the limit on its side: 1 at the limit; at least 1 where it is forbidden.

    Where both limits lie on one side of the target: from their middle, over half their distance.
    """
    if not math.isfinite(detuning_hz):
        return None
    low, high = tolerance.lower_hz, tolerance.upper_hz
    if low < 0 < high:
        value = detuning_hz / (high if detuning_hz >= 0 else low)
    else:
        value = abs(detuning_hz - (low + high) / 2) / tolerance.half_width_hz
    is_forbidden = any(a < detuning_hz < b for a, b in tolerance.forbidden_hz)
    return max(value, 1.0) if is_forbidden else value


def _only(reason: str, clears: str) -> list[structs.Why]:
    return [structs.Why(kind=reason, text=reason, clears=clears)] if reason else []


def _fixed(transition: LabTransition) -> dict[str, Any]:
    """What never changes during a session."""
    tolerance, target = transition.tolerance, transition.target
    nominal = transition.nominal_hz
    return {
        "name": transition.name,
        "title": transition.name,
        "wavelength_nm": float(C_M_S * 10**9 / nominal) if nominal > 0 else None,
        "k": transition.k,
        "tolerance": structs.Limits(
            low_hz=tolerance.lower_hz,
            high_hz=tolerance.upper_hz,
            forbidden=list(tolerance.forbidden_hz),
        ),
        "nominal_hz": exact_text(nominal),
        "target_hz": structs.Exact(nominal=exact_text(nominal), offset=float(target.hz - nominal)),
        "plane": target.plane,
        "gate_ns": transition.gate_ns,
        "unwatched": list(transition.unwatched),
        "lasers": [transition.laser],
    }
