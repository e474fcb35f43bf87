"""Who may move what, and until when: arming, budgets, hands-on (rules S5, S6).

Theory of operation. Arming takes two steps, so that nobody arms without having been shown the
cautions: `ask` returns them with a token, `arm` takes the token. It is in force until one of

    12 h are over · the process ends · the lab file changes · an instrument changes ·
    somebody else writes the output · a person disarms (no token needed)

and is never restored: a restart is disarmed. A hands-on lock (a name, until when) beats
everything, and is remembered over a restart by the record.
"""

from __future__ import annotations

import secrets
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

from labref.model.errors import RefusedError

TOKEN_LIVES_S = 300.0
HOUR_S = 3600.0
DAY_S = 24 * HOUR_S


@dataclass(frozen=True, slots=True)
class ArmingRequest:
    """What a person is shown, and the token that says they were."""

    actuator: str
    by: str
    cautions: tuple[str, ...]
    token: str


@dataclass(frozen=True, slots=True)
class Arming:
    """One actuator armed ``by`` a person until ``until_s`` (monotonic)."""

    by: str
    until_s: float


class Arms:
    """Which actuators are armed now. Times are monotonic seconds."""

    def __init__(self, expires_s: float, remote_allowed: bool) -> None:
        self._expires_s = expires_s
        self._remote_allowed = remote_allowed
        self._asked: dict[str, tuple[ArmingRequest, float]] = {}
        self._armed: dict[str, Arming] = {}

    def ask(
        self, actuator: str, by: str, cautions: tuple[str, ...], now_s: float, remote: bool
    ) -> ArmingRequest:
        """Issue a token. RefusedError without a name, or from afar where that is off."""
        if not by.strip():
            raise RefusedError("arming needs the name of the person who answers for it")
        if remote and not self._remote_allowed:
            raise RefusedError("remote arming is off: [actuation] remote_arming = true permits it")
        request = ArmingRequest(actuator, by.strip(), cautions, secrets.token_urlsafe(16))
        self._asked = {t: a for t, a in self._asked.items() if a[1] > now_s}
        self._asked[request.token] = request, now_s + TOKEN_LIVES_S
        return request

    def redeem(self, token: str, now_s: float) -> ArmingRequest:
        """Take a token, once. RefusedError where it is unknown, used or older than 5 min."""
        found = self._asked.pop(token, None)
        if found is None or found[1] <= now_s:
            raise RefusedError("this arming token is unknown, used or too old: ask again")
        return found[0]

    def arm(self, actuator: str, by: str, now_s: float, expires: bool = True) -> None:
        """Arm from now on."""
        until = now_s + self._expires_s if expires else float("inf")
        self._armed[actuator] = Arming(by, until)

    def disarm(self, actuator: str) -> bool:
        """Disarm; whether it was armed."""
        return self._armed.pop(actuator, None) is not None

    def is_armed(self, actuator: str) -> bool:
        """Whether it is armed (expiry is looked after by `expired`)."""
        return actuator in self._armed

    def expired(self, now_s: float) -> list[str]:
        """Names whose time is over, still armed."""
        return [name for name, arming in self._armed.items() if now_s >= arming.until_s]

    def revoke_tokens(self) -> None:
        """What was asked before no longer arms."""
        self._asked.clear()

    @property
    def armed(self) -> Mapping[str, Arming]:
        """All that is armed."""
        return dict(self._armed)


class Budget:
    """An amount per hour and per day, in sliding windows; a person's arming starts it anew."""

    def __init__(self, per_hour: float, per_day: float) -> None:
        self._limits = ((HOUR_S, per_hour), (DAY_S, per_day))
        self._spent: deque[tuple[float, float]] = deque()

    def allows(self, amount: float, now_s: float) -> bool:
        """Whether ``amount`` more stays inside both limits."""
        while self._spent and now_s - self._spent[0][0] >= DAY_S:
            self._spent.popleft()
        return all(
            sum(a for t, a in self._spent if now_s - t < span) + amount <= limit * (1 + 1e-12)
            for span, limit in self._limits
        )

    def spend(self, amount: float, now_s: float) -> None:
        """Note that it was used."""
        self._spent.append((now_s, amount))

    def renew(self) -> None:
        """A person has looked."""
        self._spent.clear()


@dataclass(frozen=True, slots=True)
class HandsOn:
    """Somebody is at the table: nothing moves, whatever is armed."""

    by: str
    until_ns: int
