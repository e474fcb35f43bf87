"""What other hosts say is believed only while somebody live says so. No broker needed."""

from __future__ import annotations

import json

from hypothesis import given, settings
from hypothesis import strategies as st

from labref.model.verdict import State
from labref_mqtt.follower import Follower

SESSION = "labref/site/comb_host"


class Heard:
    """A follower with a clock of its own and a shortcut for messages."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.follower = Follower(f"mqtt://127.0.0.1/{SESSION}", 3.0, lambda: self.now_s)

    def alive(self, yes: bool = True, retained: bool = False) -> None:
        self.follower.take(
            f"{SESSION}/alive", json.dumps({"alive": yes}).encode(), retained=retained
        )

    def state(self, word: str = "good", retained: bool = False, **more: object) -> None:
        message = {"kind": "state", "transition": "clock729", "state": word, **more}
        topic = f"{SESSION}/transition/clock729/state"
        self.follower.take(topic, json.dumps(message).encode(), retained=retained)

    @property
    def good(self) -> bool | None:
        return self.follower.is_good(SESSION, "clock729")


def up() -> Heard:
    heard = Heard()
    heard.follower.connected(True)
    heard.alive()
    return heard


def test_good_needs_a_connection_a_living_session_and_a_live_message() -> None:
    heard = Heard()
    heard.state()
    assert heard.good is None
    heard.follower.connected(True)
    heard.state()
    assert heard.good is None
    heard.alive()
    assert heard.good is True
    heard.state("bad", reason="outside")
    assert heard.good is False
    assert heard.follower.states()[0].why == "outside"


def test_a_retained_state_waits_for_a_live_one() -> None:
    """A broker that was killed brings back states that nobody stands for."""
    heard = up()
    heard.alive(retained=True)
    heard.state(retained=True)
    assert heard.good is None
    assert heard.follower.states()[0].why == "not confirmed yet: an old message"
    heard.state()
    assert heard.good is True


def test_silence_the_last_will_and_a_lost_connection_are_unknown() -> None:
    heard = up()
    heard.state()
    heard.now_s += 3.1
    assert heard.good is None
    heard.state()
    heard.alive(False)
    assert heard.good is None
    heard.alive()
    assert heard.good is True
    heard.follower.connected(False)
    assert heard.good is None
    heard.follower.connected(True)
    heard.alive()
    assert heard.good is None


ACTS = st.sampled_from(["up", "down", "alive", "dead", "live", "retained", "bad", "time", "junk"])


@settings(max_examples=300, deadline=None)
@given(st.lists(ACTS, max_size=30))
def test_never_good_without_all_that_good_needs(acts: list[str]) -> None:
    """A model beside it: connection, life, the last message live and fresh and good."""
    heard, model = Heard(), {"up": False, "alive": False, "good": False, "at": -1e9}
    for act in acts:
        if act in ("up", "down"):
            heard.follower.connected(act == "up")
            model.update(up=act == "up", alive=False, good=False)
        elif act in ("alive", "dead"):
            heard.alive(act == "alive")
            model["alive"] = act == "alive"
        elif act == "time":
            heard.now_s += 1.7
        elif act == "junk":
            heard.follower.take(f"{SESSION}/transition/clock729/state", b"{", retained=False)
        else:
            heard.state("bad" if act == "bad" else "good", act == "retained")
            model.update(good=act == "live", at=heard.now_s)
        expected = (
            model["up"] and model["alive"] and model["good"] and heard.now_s - model["at"] <= 3
        )
        assert (heard.good is True) == bool(expected)


def test_states_name_the_session() -> None:
    heard = up()
    heard.state(nominal_hz="411042129776400", offset_hz=1.5)
    (one,) = heard.follower.states()
    assert (one.session, one.transition, one.state) == (SESSION, "clock729", State.GOOD)
    assert one.message["nominal_hz"] == "411042129776400"
