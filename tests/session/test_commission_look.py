"""Bring-up without moving anything: settings read back, the beat's level in a stated bandwidth."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import pytest

from labref.cli import commission as cli
from labref.config.lab import parse_lab
from labref.config.load import parse_document
from labref.drivers.base import Setting
from labref.model.errors import InputError, LabFileError
from labref.model.flags import Flag
from labref.model.readings import block
from labref.model.times import NS_PER_S as S
from labref.model.verdict import State
from labref.session.commission_look import level, settings
from labref.session.commission_parts import Request, Seen, Subject, subject_of
from labref.testing.labs import comb_lab

LIMIT = "beat_level = { least_db = 30, bandwidth_hz = 100e3 }\n"
BY_CHANNEL = 'beat_level = { least_db = 30, bandwidth_hz = 100e3, channel = "snr" }\n'
SNR = """
[channels.snr]
kind = "beat level"
unit = "dB"
nominal = 40
instrument = "analyser"
input = "snr"
[instruments.analyser]
address = "memory2"
dialect = "by hand"
"""


def lab_text(limit: str, more: str = "") -> str:
    return comb_lab(('sign = "+"\n', f'sign = "+"\n{limit}')) + more


def subject(text: str) -> Subject:
    tables = parse_document(text.encode(), "lab.toml").tables
    return subject_of(parse_lab(text), tables, "l729")


class Table:
    """Answers with what a test wants to be seen."""

    def __init__(
        self,
        answer: float | None = None,
        seen: Mapping[str, Seen] | None = None,
        read: Mapping[str, Mapping[str, Setting | None]] | None = None,
    ) -> None:
        self.answer, self.seen, self.known = answer, seen or {}, read or {}
        self.asked: list[Request] = []

    def read(self) -> Mapping[str, Seen]:
        return self.seen

    def ask(self, request: Request) -> float | None:
        self.asked.append(request)
        return self.answer

    def settings(self) -> Mapping[str, Mapping[str, Setting | None]]:
        return self.known


GATE = Setting("gate_s", "1", "1", True)
OTHER_GATE = Setting("gate_s", "10", "1", False)
NO_WISH = Setting("mode", "fast")


@pytest.mark.parametrize(
    ("read", "state", "words"),
    [
        ({"bench": {"gate_s": GATE, "mode": NO_WISH}}, State.GOOD, "gate_s is 1, mode is fast"),
        ({"bench": {"gate_s": OTHER_GATE}}, State.BAD, "bench: gate_s is 10, expected 1"),
        ({"bench": {"gate_s": GATE, "mode": None}}, State.UNKNOWN, "not read back: bench: mode"),
        ({"bench": {}}, State.GOOD, "bench: nothing can be read back"),
        ({"bench": {"gate_s": GATE}, "unused": {"gate_s": OTHER_GATE}}, State.GOOD, "gate_s is 1"),
        ({}, State.GOOD, "bench: nothing can be read back"),
    ],
)
def test_rule_M20_settings_are_compared_and_told(
    read: Mapping[str, Mapping[str, Setting | None]], state: State, words: str
) -> None:
    found = settings(subject(lab_text(LIMIT)), Table(read=read))
    assert (found.step, found.state) == ("settings", state)
    assert words in found.text


@pytest.mark.parametrize(
    ("typed", "state", "words"),
    [
        (30.0, State.GOOD, "30.0 dB above the noise in 100000 Hz (by a person), 30.0 dB wanted"),
        (29.9, State.BAD, "29.9 dB above the noise"),
        (None, State.UNKNOWN, "nobody has seen"),
    ],
)
def test_a_person_reads_the_level(typed: float | None, state: State, words: str) -> None:
    table = Table(answer=typed)
    found = level(subject(lab_text(LIMIT)), table)
    assert found.state is state
    assert words in found.text
    assert "spectrum analyser of 100000 Hz bandwidth" in table.asked[0].words


@pytest.mark.parametrize(
    ("seen", "state", "words"),
    [
        ({"snr": Seen(-8.0, 0.1)}, State.GOOD, "32.0 dB above the noise in 100000 Hz (by snr)"),
        ({"snr": Seen(-11.0, 0.1)}, State.BAD, "29.0 dB above"),
        ({"snr": Seen(math.nan, math.nan, int(Flag.LINK))}, State.UNKNOWN, "snr: instrument link"),
        ({}, State.UNKNOWN, "snr: no reading"),
    ],
)
def test_a_channel_reads_the_level(seen: Mapping[str, Seen], state: State, words: str) -> None:
    table = Table(seen=seen)
    asked = subject(lab_text(BY_CHANNEL, SNR))
    found = level(asked, table)
    assert found.state is state
    assert words in found.text
    assert table.asked == []
    assert "snr" in asked.channels  # it is waited for, and its instrument's settings are looked at


def test_without_a_limit_the_bring_up_does_not_begin() -> None:
    with pytest.raises(InputError, match=r"lasers.l729: 'beat_level' is missing.*least_db = 30"):
        subject(comb_lab())


@pytest.mark.parametrize(
    ("limit", "more", "message"),
    [
        ("beat_level = { least_db = 30 }\n", "", "'bandwidth_hz' is missing"),
        (BY_CHANNEL, "", "no channel 'snr'"),
        (BY_CHANNEL, SNR.replace('unit = "dB"', 'unit = "V"'), "beat_level.channel: 'snr' is in V"),
        (BY_CHANNEL, SNR.replace('instrument = "analyser"\ninput = "snr"', "assumed = true"),
         "'snr' is assumed"),
    ],
)  # fmt: skip
def test_a_limit_that_cannot_be_judged_is_an_error_of_the_lab_file(
    limit: str, more: str, message: str
) -> None:
    with pytest.raises(LabFileError, match=message):
        parse_lab(lab_text(limit, more))


def test_the_command_waits_for_settings_that_are_not_read_yet() -> None:
    answers: list[dict[str, dict[str, Setting | None]]] = [
        {"bench": {"gate_s": None}}, {"bench": {"gate_s": GATE}},
    ]  # fmt: skip
    waited: list[float] = []

    def read_back() -> dict[str, dict[str, Setting | None]]:
        return answers.pop(0)

    table = cli.TableBench(cli.Gatherer(), ["beat"], 1, waited.append, read_back)
    assert table.settings() == {"bench": {"gate_s": GATE}}
    assert len(waited) == 1


@pytest.mark.parametrize(
    ("kind", "typed", "answer"),
    [
        ("level", ["36.5"], 36.5),
        ("level", [""], None),  # Enter says nothing of a level
        ("level", ["done", "much", "31"], 31.0),
        ("block", [""], 1.0),
    ],
)
def test_of_a_level_a_number_must_be_given(
    monkeypatch: pytest.MonkeyPatch, kind: str, typed: Sequence[str], answer: float | None
) -> None:
    lines = list(typed)

    def prompt(text: str, default: Any) -> str:
        return lines.pop(0) or str(default)

    monkeypatch.setattr(cli.click, "prompt", prompt)
    table = cli.TableBench(cli.Gatherer(), ["beat"], 1, lambda s: None, dict)
    assert table.ask(Request(kind, "l729", "what is asked")) == answer
    assert lines == []


def test_gates_that_began_before_something_was_turned_are_not_read() -> None:
    """A busy computer hands them over seconds later."""
    gatherer = cli.Gatherer()
    gatherer.clear(5 * S)
    old = block("beat", [3 * S, 4 * S], [4 * S, 5 * S], [7.0, 7.0])
    both = block("beat", [4 * S, 5 * S, 6 * S], [5 * S, 6 * S, 7 * S], [7.0, 1.0, 3.0])
    gatherer.on_readings([old])
    assert gatherer.counts() == {}
    gatherer.on_readings([both])
    assert gatherer.counts() == {"beat": 2}
    assert gatherer.seen()["beat"].offset == 2.0
    gatherer.clear()
    gatherer.on_readings([old])
    assert gatherer.counts() == {}
