"""What is turned at the table shows on the instruments, as a person at the table expects."""

from __future__ import annotations

import re
from types import ModuleType

import pytest

from sim_instruments.knobs import Knobs

F_REP_IF, F_CEO, BEAT_729, BEAT_794 = "1", "2", "3", "4"


class Table:
    """The shipped ion lab without faults on a virtual clock, with its knobs."""

    def __init__(self, tools: ModuleType) -> None:
        self.bench = tools.Bench("ca_ion_lab", faults=False)
        self.knobs = Knobs(self.bench.lab, {})
        self.bench.advance(2.0)

    def turn(self, line: str) -> str:
        said = self.knobs.turn(line, self.bench.now_ns)
        self.bench.advance(0.2)
        return said

    def read(self, channel: str, counter: str = "counter_a") -> float:
        return float(self.bench.ask(counter, f"MEAS:FREQ? 10E6,1,(@{channel})"))


@pytest.fixture
def table(tools: ModuleType) -> Table:
    return Table(tools)


def test_f_rep_moves_its_harmonic_and_every_beat_by_its_tooth(table: Table) -> None:
    before = table.read(F_REP_IF), table.read(BEAT_794)
    assert "2.0 Hz" in table.turn("f_rep +2")
    after = table.read(F_REP_IF), table.read(BEAT_794)
    assert after[0] - before[0] == pytest.approx(80.0, abs=0.1)  # the 40th harmonic
    # 794 nm lies below its tooth 1 510 367: the tooth went up, the beat grew.
    assert after[1] - before[1] == pytest.approx(2 * 1_510_367, abs=2e5)
    table.turn("f_rep back")
    assert table.read(F_REP_IF) == pytest.approx(before[0], abs=0.1)


def test_f_ceo_moves_itself_and_the_beats_only(table: Table) -> None:
    before = [table.read(channel) for channel in (F_REP_IF, F_CEO, BEAT_729)]
    table.turn("f_ceo -2e5")
    after = [table.read(channel) for channel in (F_REP_IF, F_CEO, BEAT_729)]
    changes = [b - a for a, b in zip(before, after, strict=True)]
    assert changes[0] == pytest.approx(0.0, abs=0.1)
    assert changes[1] == pytest.approx(-2e5, abs=1.0)
    assert changes[2] == pytest.approx(+2e5, abs=5e3)  # above its tooth, which went down


def test_a_blocked_laser_loses_its_own_beat_and_no_other(table: Table) -> None:
    assert table.turn("block L729") == "L729 is blocked"
    assert table.read(BEAT_729) == pytest.approx(9.91e37)
    assert table.read(BEAT_794) < 1e9
    table.turn("unblock L729")
    assert table.read(BEAT_729) < 1e9


def test_a_laser_is_moved_and_brought_back(table: Table) -> None:
    before = table.read(BEAT_729)
    table.turn("move L729 3e6")
    table.turn("move L729 -1e6")
    assert table.read(BEAT_729) - before == pytest.approx(2e6, abs=5e3)
    table.turn("move L729 back")
    assert table.read(BEAT_729) == pytest.approx(before, abs=5e3)


@pytest.mark.parametrize("laser", ["L729", "L794", "L866"])
def test_a_scan_brings_the_light_to_where_the_atoms_answer(table: Table, laser: str) -> None:
    """By the scenario's own truth: 397 nm is kept 11 MHz to the red, its atoms answer above."""
    said = table.turn(f"atoms {laser}")
    assert re.search(r"seen to [0-9.]+ Hz", said)
    row = next(r for r in table.bench.lab.world.transitions.values() if r.laser.name == laser)
    step = table.bench.lab.grid.index(table.bench.now_ns)
    away = float(row.at_atoms.nominal - row.resonance)
    away += float(row.at_atoms.offsets(step - 10, step).mean())
    assert abs(away) < 5 * max(row.seen_to_hz, 4e4)


def test_a_looped_synthesizer_tells_the_time_base(table: Table) -> None:
    def off() -> float:
        found = re.search(r"off by ([-+0-9.]+) Hz", table.turn("loop counter_a"))
        assert found
        return float(found[1])

    assert abs(off()) < 1e-3
    table.bench.write("counter_a", "ROSC:SOUR INT")
    assert abs(off()) > 0.01  # its own oscillator is wrong by some 1e-7


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("block L999", "no laser 'L999'; there are: L729"),
        ("f_rep up", "neither a number of Hz nor 'back'"),
        ("f_rep nan", "neither a number"),
        ("atoms L1", "they see: L729"),
        ("loop wavemeter", "is no counter"),
        ("unplug nothing", "no instrument 'nothing'"),
    ],
)
def test_what_cannot_be_turned_says_why(table: Table, line: str, says: str) -> None:
    said = table.turn(line)
    assert said.startswith("not done: ")
    assert says in said


@pytest.mark.parametrize("line", ["", "help", "turn everything", "block"])
def test_anything_else_lists_the_knobs(table: Table, line: str) -> None:
    assert table.turn(line).startswith("knobs: f_rep +2; f_ceo -2e5; block L866")


def test_an_analyser_shows_how_far_a_beat_stands_above_the_noise(table: Table) -> None:
    """-140 dBm in 1 Hz are -90 dBm in 100 kHz; a blocked beat lies 120 dB lower."""
    said = table.turn("analyser L866")
    found = re.fullmatch(r"beat_866 stands ([0-9.]+) dB above the noise in 100000 Hz", said)
    assert found is not None, said
    table.knobs.turn("block L866", table.bench.now_ns)
    lower = re.search(r"stands (-[0-9.]+) dB", table.turn("analyser L866"))
    assert lower is not None
    table.knobs.turn("unblock L866", table.bench.now_ns)
    assert table.turn("analyser L866") == said  # at once: nobody waits for a step of the simulation
    assert float(found[1]) - float(lower[1]) == pytest.approx(120.0, abs=1.0)
    assert table.turn("analyser L999").startswith("not done: no laser")
