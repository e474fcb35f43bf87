"""Ten scripted bad nights: the root cause stands in the first line of the handover, 10 of 10."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from labref.cli.handover import command
from labref.model.flags import Flag
from labref.report.causes import losses
from labref.report.handover import handover
from labref.testing import MemoryBench
from labref.trace.reader import open_trace

LAB = (Path(__file__).parents[2] / "examples" / "ca_ion_lab.toml").read_text("utf-8")
GATES = 240
BEGIN, END = 100, 160
W = int(Flag.WRITTEN)

Night = dict[str, tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]]


def quiet_night(bench: MemoryBench) -> Night:
    """Every fed channel at its nominal (zero offset), all readings usable."""
    names = [name for name, channel in bench.lab.channels.items() if channel.is_fed]
    return {name: (np.zeros(GATES), np.full(GATES, W, np.uint32)) for name in names}


def feeds(bench: MemoryBench, instrument: str) -> list[str]:
    return [name for name, feed in bench.lab.feeds.items() if feed[0] == instrument]


def flagged(instrument: str, flag: Flag) -> Callable[[MemoryBench, Night], None]:
    def script(bench: MemoryBench, night: Night) -> None:
        for name in feeds(bench, instrument):
            night[name][1][BEGIN:END] |= np.uint32(flag)

    return script


def one_channel(name: str, flag: Flag) -> Callable[[MemoryBench, Night], None]:
    def script(bench: MemoryBench, night: Night) -> None:
        night[name][1][BEGIN:END] |= np.uint32(flag)

    return script


def moved(**by_hz: float) -> Callable[[MemoryBench, Night], None]:
    def script(bench: MemoryBench, night: Night) -> None:
        for name, hz in by_hz.items():
            night[name][0][BEGIN:END] += hz

    return script


# What happened, and what the first line must begin with.
NIGHTS: dict[str, tuple[Callable[[MemoryBench, Night], None], str]] = {
    "antenna unplugged": (moved(fix=-1.0), "reference gnssdo: gnss_fix out of its limits"),
    "counter a unplugged": (
        flagged("counter_a", Flag.LINK), "instrument counter_a: instrument link"),
    "counter b on its own time base": (
        flagged("counter_b", Flag.REFERENCE), "instrument counter_b: reference not trusted"),
    "wavemeter hangs": (flagged("wavemeter", Flag.LINK), "instrument wavemeter: instrument link"),
    "synthesizer b off": (flagged("synth_b", Flag.LINK), "instrument synth_b: instrument link"),
    "f_ceo lost": (one_channel("f_ceo_b", Flag.GAP), "channel f_ceo_b: no reading"),
    "a beat lost": (one_channel("beat_866", Flag.SATURATED), "channel beat_866: input saturated"),
    "a laser wandered": (
        moved(beat_854=9e6, wavemeter_854=9e6), "laser L854: above the upper limit"),
    "a laser on the next tooth": (moved(wavemeter_729=250012960.0), "laser L729: wrong comb tooth"),
    "comb b slipped": (moved(f_rep_b=200.0), "comb comb_b:"),
}  # fmt: skip


def record(text: str, script: Callable[[MemoryBench, Night], None], out: Path) -> MemoryBench:
    bench = MemoryBench(text, plugins=("tolerance", "evidence", "tooth"), out=out)
    night = quiet_night(bench)
    script(bench, night)
    for first in range(0, GATES, 60):
        for name, (offsets, flags) in night.items():
            bench.gates(name, offsets[first : first + 60], flags=flags[first : first + 60])
        bench.clock.advance_ns(60 * 10**9)
        bench.session.step()
    bench.session.stop()
    return bench


@pytest.mark.parametrize("name", NIGHTS)
def test_the_root_cause_stands_in_the_first_line(name: str, tmp_path: Path) -> None:
    script, expected = NIGHTS[name]
    bench = record(LAB, script, tmp_path)
    with open_trace(tmp_path) as trace:
        found = handover(trace, bench.lab, trace.start_ns, trace.stop_ns)
    assert found.first_line.startswith(expected), found.first_line
    assert found.incidents[0].begin_ns == bench.start_ns + BEGIN * 10**9


def test_a_quiet_night_has_no_cause(tmp_path: Path) -> None:
    bench = record(LAB, lambda bench, night: None, tmp_path)
    with open_trace(tmp_path) as trace:
        found = handover(trace, bench.lab, trace.start_ns, trace.stop_ns)
    assert found.first_line.startswith("Nothing was lost")
    assert all(light.availability.good > 0.99 for light in found.lights)


def twelve() -> str:
    """The example with each line watched under several names: twelve transitions."""
    begin = LAB.index("[transitions.repump866]")
    block = LAB[begin : LAB.index("[transitions.repump854]")]
    extra = "".join(block.replace("repump866", f"again_{i}") for i in range(7))
    return LAB[:begin] + extra + LAB[begin:]


def test_one_antenna_is_one_incident_of_twelve_transitions(tmp_path: Path) -> None:
    bench = record(twelve(), NIGHTS["antenna unplugged"][0], tmp_path)
    assert len(bench.lab.transitions) == 12
    with open_trace(tmp_path) as trace:
        found = handover(trace, bench.lab, trace.start_ns, trace.stop_ns)
        assert len(losses(trace, trace.start_ns, trace.stop_ns)) == 12
    assert len(found.incidents) == 1
    assert "12 transitions not good" in found.first_line


def test_one_antenna_raises_one_alarm_for_twelve_transitions(tmp_path: Path) -> None:
    record(twelve(), NIGHTS["antenna unplugged"][0], tmp_path)
    with open_trace(tmp_path) as trace:
        raised = [m.text for m in trace.messages() if m.kind == "alarm raised"]
    assert len(raised) == 1, raised


def test_the_command_prints_all_sections(tmp_path: Path) -> None:
    bench = record(LAB, NIGHTS["counter a unplugged"][0], tmp_path)
    assert bench.lab.title
    run = CliRunner().invoke(command, [str(tmp_path), "--since", "1h"])
    assert run.exit_code == 0, run.output
    lines = run.output.splitlines()
    assert lines[0].startswith("instrument counter_a")
    for title in ("States", "Open alarms", "Armed", "Calibrations due"):
        assert title in lines
    assert "  no session runs" in lines
