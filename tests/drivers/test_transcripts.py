"""Every dialect speaks exactly as recorded and reads the answers as the record's head says.

The transcripts were captured by ``labref record-transcript`` from independent simulated
instruments, except those named ``*-hand.txt``, which were written by hand from the standards.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from labref.drivers.capture import parse_case, replay
from labref.drivers.catalogue import Catalogue
from labref.model.errors import InputError, LinkError

FOLDER = Path(__file__).parent / "transcripts"
FILES = sorted(FOLDER.glob("*.txt"))


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_the_exchange_is_exactly_as_recorded(path: Path) -> None:
    case, outcome, done = replay(path.read_text("ascii"))
    assert done, "part of the record was never reached"
    assert case.expect, "a transcript without expectations proves nothing"
    assert outcome.offsets() == case.expect


def test_every_polled_dialect_has_a_transcript() -> None:
    recorded = {parse_case(path.read_text("ascii")).setup.dialect for path in FILES}
    # Shared channels carry stamps of a second clock: test_shared.py has both.
    known = {d.name for d in Catalogue().all() if d.program not in ("record", "shared")}
    assert recorded == known


def test_a_source_is_only_asked_and_never_told() -> None:
    sources = {d.name for d in Catalogue().all() if d.role == "source"}
    assert len(sources) >= 3
    for path in FILES:
        text = path.read_text("ascii")
        if parse_case(text).setup.dialect in sources:
            sent = "".join(line[2:] for line in text.splitlines() if line.startswith(">"))
            for unit in sent.replace("\\n", ";").split(";"):
                assert not unit or unit.split(" ")[0].endswith("?"), f"{path.name}: {unit}"


def test_one_wrong_byte_fails() -> None:
    text = (FOLDER / "scpi-counter.txt").read_text("ascii")
    changed = text.replace("> :INIT;*OPC?", "> :INIT;*OPD?", 1)
    assert changed != text
    with pytest.raises(LinkError, match="the record has"):
        replay(changed)


def test_one_wrong_digit_fails() -> None:
    text = (FOLDER / "scpi-counter.txt").read_text("ascii")
    changed = re.sub(r"20518400\.0000(\d)", r"20518400.0001\1", text, count=1)
    assert changed != text
    case, outcome, _ = replay(changed)
    assert outcome.offsets() != case.expect


def test_a_head_that_is_none_is_refused() -> None:
    with pytest.raises(InputError, match="transcript head"):
        parse_case("> *IDN?\\n\n")


# Recorded from simulated instruments while a fault of the instrument stood.
FAULTS = {
    "scpi-counter-timebase": 0,
    "scpi-counter-single-nan": 0,
    "scpi-counter-gapless-timebase": 0,
    "scpi-counter-gapless-ascii-overflow": 0,
    "scpi-synthesizer-reference-lost": 0,
    "scpi-wavemeter-dark": 0,
    "ascii-wavemeter-dark": 0,
    "ascii-wavemeter-frozen": 1,  # the first of the equal readings
}


@pytest.mark.parametrize(("stem", "usable"), FAULTS.items())
def test_nothing_is_usable_while_the_instrument_says_that_it_is_ill(stem: str, usable: int) -> None:
    text = (FOLDER / f"{stem}.txt").read_text("ascii")
    _, outcome, _ = replay(text)
    for name, offsets in outcome.offsets().items():
        assert len(offsets) >= 3
        assert sum(offset is not None for offset in offsets) == usable, name


def test_a_receiver_without_a_fix_says_so() -> None:
    _, outcome, _ = replay((FOLDER / "nmea-receiver-no-fix.txt").read_text("ascii"))
    assert outcome.offsets() == dict.fromkeys(("quality", "valid", "satellites"), [0.0] * 3)
