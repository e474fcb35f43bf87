"""Where people arm, disarm and take hands-on: any thread, any time (rule S5).

The pass looks at what was asked here once a pass. Disarming and hands-on take effect at the next
one; a write that is on the wire already arrives, inside the harmless range.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence

from labref.actuation.base import Actuator
from labref.actuation.cautions import cautions
from labref.actuation.guards import LabFileWatch
from labref.actuation.hand import Hand
from labref.actuation.policy import Arming, ArmingRequest, Arms, HandsOn
from labref.actuation.record import Record
from labref.model.errors import InputError, RefusedError
from labref.model.times import Clock, iso


class Desk:
    """Arming, hands-on, and what is left to tell about them. All methods are safe across threads.

    ``rehearsal``: everything that the lab file opts in is armed at once, and nothing moves.
    """

    def __init__(
        self,
        actuators: Mapping[str, Actuator],
        hands: Mapping[str, Hand],
        arms: Arms,
        record: Record,
        watch: LabFileWatch,
        clock: Clock,
        *,
        has_interlocks: bool,
        rehearsal: bool,
    ) -> None:
        self.lock = threading.RLock()
        self.rehearsal = rehearsal
        self._actuators, self._hands = actuators, hands
        self._arms, self._record, self._watch, self._clock = arms, record, watch, clock
        self._has_interlocks = has_interlocks
        self._hands_on: HandsOn | None = None
        self._news: list[tuple[str, str, bool, bool]] = []
        if rehearsal:
            for name, actuator in actuators.items():
                if actuator.armed_in_file and self._closed_outputs(actuator) == []:
                    self._take(name, "rehearsal", expires=False)

    # people ------------------------------------------------------------------------------

    def ask_to_arm(self, name: str, by: str, *, remote: bool = False) -> ArmingRequest:
        """Return the cautions to be shown to the person, and the token that `arm` takes.

        Raises InputError for an unknown name, RefusedError where it cannot be armed.
        """
        with self.lock:
            actuator = self._known(name)
            self._why_not(actuator)
            said = cautions(actuator.cautions, self._has_interlocks)
            return self._arms.ask(name, by, said, self._clock.monotonic_s(), remote)

    def arm(self, token: str) -> None:
        """Arm what the token was issued for. Raises RefusedError saying what is in the way."""
        with self.lock:
            request = self._arms.redeem(token, self._clock.monotonic_s())
            actuator = self._known(request.actuator)
            self._why_not(actuator)
            if not self.rehearsal:
                self._record.lock()
                self._heed_others(actuator)
                now_ns = self._clock.now_ns()
                self._record.write(now_ns, "armed", actuator=actuator.name, by=request.by)
            self._take(actuator.name, request.by)

    def disarm(self, name: str | None = None, by: str = "a person") -> None:
        """Disarm one or all. Needs no token; running attempts are brought to their safe action."""
        with self.lock:
            self._arms.revoke_tokens()
            for each in [name] if name is not None else list(self._arms.armed):
                self.drop(self._known(each).name, f"disarmed by {by}", hold=False, again=False)

    def hands_on(self, by: str, until_ns: int) -> None:
        """Nothing moves until then, whatever is armed; running attempts hold at once.

        Remembered over a restart. Raises RefusedError without a name or with a time that is past.
        """
        if not by.strip() or until_ns <= self._clock.now_ns():
            raise RefusedError("hands-on needs a name and a time in the future")
        with self.lock:
            self._hands_on = HandsOn(by.strip(), until_ns)
            self._note("hands on", by=by.strip(), until_ns=until_ns)

    def hands_off(self, by: str) -> None:
        """End the hands-on lock."""
        with self.lock:
            self._hands_on = None
            self._note("hands off", by=by)

    # the pass ----------------------------------------------------------------------------

    def hands_on_now(self, now_ns: int) -> str:
        """Who has their hands on, "" if nobody."""
        held = self._hands_on
        if held is None or now_ns >= held.until_ns:
            return ""
        return f"hands-on by {held.by} until {iso(held.until_ns, 0)}"

    def restore(self, by: str, until_ns: int) -> None:
        """A hands-on lock that the record remembers."""
        self._hands_on = HandsOn(by, until_ns)

    def is_armed(self, name: str) -> bool:
        """Whether it is armed."""
        return self._arms.is_armed(name)

    @property
    def armed(self) -> Mapping[str, Arming]:
        """Everything that is armed."""
        return self._arms.armed

    def expired(self, now_s: float) -> Sequence[str]:
        """What is armed and past its time."""
        return self._arms.expired(now_s)

    def file_changed(self, now_s: float) -> str:
        """Why the lab file counts as changed."""
        return self._watch.changed(now_s)

    def drop(self, name: str, why: str, *, hold: bool, again: bool = True) -> None:
        """Disarm and leave word; with ``hold`` its attempt holds, else it does its safe action.

        A rehearsal goes on: it is armed ``again`` at once, or it would end at the first hiccup.
        """
        if self._arms.disarm(name):
            self._news.append((name, why, False, hold))
            self._note("disarmed", actuator=name, why=why)
            if self.rehearsal and again:
                self._take(name, "rehearsal", expires=False)

    def news(self) -> list[tuple[str, str, bool, bool]]:
        """What was armed or disarmed since the last call: (name, by or why, armed, hold)."""
        found, self._news = self._news, []
        return found

    # -------------------------------------------------------------------------------------

    def _take(self, name: str, by: str, *, expires: bool = True) -> None:
        self._arms.arm(name, by, self._clock.monotonic_s(), expires)
        self._news.append((name, by, True, False))

    def _known(self, name: str) -> Actuator:
        if name not in self._actuators:
            known = ", ".join(sorted(self._actuators)) or "none"
            raise InputError(f"no actuator {name!r}; this lab has: {known}")
        return self._actuators[name]

    def _heed_others(self, actuator: Actuator) -> None:
        """Somebody may have taken hands-on in another session of this lab file meanwhile."""
        held = self._record.left_behind().hands_on
        if held is not None:
            self.restore(*held)
        if why := self.hands_on_now(self._clock.now_ns()):
            if not self._arms.armed:
                self._record.unlock()
            raise RefusedError(f"{actuator.name}: {why}")

    def _closed_outputs(self, actuator: Actuator) -> list[str]:
        return [name for name in actuator.outputs if not self._hands[name].spec.enabled]

    def _why_not(self, actuator: Actuator) -> None:
        name = actuator.name
        if not actuator.armed_in_file:
            raise RefusedError(f"{name}: its table in the lab file does not say armed = true")
        if closed := self._closed_outputs(actuator):
            raise RefusedError(f"{name}: [outputs.{closed[0]}] does not say enabled = true")
        now_ns = self._clock.now_ns()
        if held := self.hands_on_now(now_ns):
            raise RefusedError(f"{name}: {held}")
        if changed := self._watch.changed(self._clock.monotonic_s()):
            raise RefusedError(f"{name}: {changed}: restart with the file as it is now")
        for output in actuator.outputs:
            hand = self._hands[output]
            value = hand.read_back(now_ns)
            if value is None:
                raise RefusedError(f"{name}: no fresh read-back of {output}")
            if not hand.spec.is_harmless(value):
                text = f"{output} stands at {hand.spec.text(value)}"
                raise RefusedError(f"{name}: {text}, outside its harmless range: bring it back")

    def _note(self, event: str, **values: object) -> None:
        """Note it if it can be noted: whoever wants less movement is never refused."""
        if self.rehearsal or self._record.path is None:
            return
        try:
            self._record.write(self._clock.now_ns(), event, **values)
        except (OSError, RefusedError):
            return
