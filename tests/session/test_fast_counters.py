"""Counters of 10 000 readings a second, from the simulated instrument to the stored trace."""

from __future__ import annotations

import importlib.util
from functools import lru_cache
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from labref.cli.main import cli
from labref.config.lab import parse_lab
from labref.model.channel import Channel
from labref.model.errors import LabFileError
from labref.model.readings import Readings, join
from labref.model.times import NS_PER_S, VirtualClock
from labref.plugins import load_plugins
from labref.session.instruments import setups
from labref.session.session import Session
from labref.session.sources import Source
from labref.trace.reader import open_trace
from labref.trace.series import Series

GATE_NS = 100_000
SECONDS = 0.6
DIALECTS = {"line": "line-counter", "block": "scpi-counter-gapless"}


@lru_cache(maxsize=1)
def simulated() -> ModuleType:
    pytest.importorskip("sim_instruments.lab")
    path = Path(__file__).parent.parent / "drivers" / "simulated.py"
    spec = importlib.util.spec_from_file_location("simulated", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def lab_text(kind: str, store: str = "") -> str:
    weighting = {"line": "lambda", "block": "pi"}[kind]
    keep = f'store = "{store}"\n' if store else ""
    return f"""labref = 1
[references.gnssdo]
u = 1e-12

[instruments.fast]
address = "TCPIP::192.0.2.1::5025::SOCKET"
dialect = "{DIALECTS[kind]}"
reference = "gnssdo"

[channels.beat]
nominal_hz = 54028680
instrument = "fast"
input = 1
gate_s = 0.0001
weighting = "{weighting}"
{keep}
[lasers.beat]
channel = "beat"

[transitions.beat_alone]
laser = "beat"
target_hz = 54028680
target_u_hz = 1
source = "invented"
tolerance_hz = 2e5
unwatched = ["noise"]
"""


class Watched:
    """A reader, and everything that it handed to the pass."""

    def __init__(self, reader: Any) -> None:
        self._reader = reader
        self.name, self.start, self.stop = reader.name, reader.start, reader.stop
        self.finished = False
        self.blocks: list[Readings] = []

    def collect(self) -> list[Readings]:
        found: list[Readings] = self._reader.collect()
        self.blocks += found
        return found


def reader_of(kind: str, text: str, clock: VirtualClock) -> Watched:
    """Our reader before a simulated counter with gates of 0.1 ms."""
    from labref.drivers.instrument import Instrument
    from labref.drivers.programs import program_of
    from labref.session.readers import InlineReader
    from labref.transport.memory import MemoryWire
    from sim_instruments.lab import Lab

    scenario = simulated().scenario(None)
    name = {"line": "stream", "block": "counter"}[kind]
    rows = scenario.tables["instrument"]
    rows["stream"]["gate_s"] = "0.0001"
    rows["stream"]["inputs"] = rows["counter"]["inputs"] = ["beat_729"]
    peer = simulated().LinePeer(Lab(scenario, clock.now_ns(), 60.0, 1), name, clock)
    (setup,) = setups(parse_lab(text))
    instrument = Instrument(setup, program_of(setup, clock))
    return Watched(InlineReader(instrument, MemoryWire(peer, clock), clock))


def run(kind: str, store: str, out: Path) -> tuple[Readings, Series, Series]:
    """All readings of the pass, and channel and transition as they are stored."""
    clock = VirtualClock(1_790_000_000 * NS_PER_S)
    text = lab_text(kind, store)
    plugins = load_plugins(("tolerance", "evidence"))
    source: Source
    source = watched = reader_of(kind, text, clock)
    session = Session(parse_lab(text), [source], plugins, out=out, clock=clock)
    with session:
        while clock.monotonic_s() < SECONDS:
            session.step()
            clock.wait(0.01)
        assert session.status.is_good("beat_alone") is True
    with open_trace(out) as trace:
        return join(watched.blocks), trace.series("beat"), trace.series("beat_alone")


@pytest.mark.parametrize("kind", ["line", "block"])
def test_counts_add_up_and_means_are_means(kind: str, tmp_path: Path) -> None:
    read, stored, judged = run(kind, "", tmp_path)
    assert int(read.usable.sum()) > 4000
    assert stored.gate_ns == 10 * GATE_NS
    for series in (stored, judged):
        assert series.counts is not None
        assert len(series) < len(read) / 9
    assert stored.counts is not None
    assert int(stored.counts.sum()) == len(read)
    edges = np.concatenate([[0], np.cumsum(stored.counts)])
    assert stored.start_ns.tolist() == read.start_ns[edges[:-1]].tolist()
    assert stored.stop_ns.tolist() == read.stop_ns[edges[1:] - 1].tolist()
    clean = np.flatnonzero(stored.usable)
    assert len(clean) > 400
    for row in clean.tolist():
        gates = read[slice(int(edges[row]), int(edges[row + 1]))]
        assert gates.usable.all()
        assert stored.offset[row] == pytest.approx(gates.offset.mean(), abs=1e-9)
    # What is not clean is the time before the counter was there, and the edges of that.
    assert (stored.start_ns[stored.flags != 1] < stored.start_ns[clean[0]]).sum() >= (
        (stored.flags != 1).sum() - 1
    )
    assert judged.state is not None
    assert (judged.state == 1).sum() >= len(clean) - 2


def test_every_reader_of_traces_understands_means(tmp_path: Path) -> None:
    record = tmp_path / "record"
    _, stored, judged = run("block", "", record)
    runner = CliRunner()

    def command(*words: str) -> str:
        result = runner.invoke(cli, words)
        assert result.exit_code == 0, result.output
        return result.output

    said = command("stability", str(record), "--channel", "beat", "--gaps", "pairs")
    assert "each reading is the mean of 10 gates of 0.0001 s: one Pi gate of their span" in said
    assert "0.001" in said
    page = tmp_path / "page.html"
    command("report", str(record), "-o", str(page))
    assert "0.0001 s, kept as means of 10" in page.read_text()
    csv = command("export", str(record), "--channel", "beat", "--to", "csv", "--quiet")
    counts = [int(line.rsplit(",", 1)[1]) for line in csv.splitlines()[1:]]
    assert stored.counts is not None
    assert counts == stored.counts.tolist()
    command("verify", str(record))
    command("rederive", str(record), "--out", str(tmp_path / "again"))
    with open_trace(tmp_path / "again") as trace:
        again = trace.series("beat_alone")
    usable = judged.usable
    assert again.counts is None  # what is derived from a mean is one gate
    assert again.start_ns.tolist() == judged.start_ns.tolist()
    assert again.stop_ns.tolist() == judged.stop_ns.tolist()
    assert np.allclose(again.offset[usable], judged.offset[usable], rtol=0, atol=1e-9)
    assert again.state is not None
    assert judged.state is not None
    assert np.array_equal(again.state, judged.state)
    assert (again.state == 1).sum() > 400


def test_an_archive_of_means(tmp_path: Path) -> None:
    pytest.importorskip("duckdb")
    from labref_archive.query import Archive
    from labref_archive.sidecar import build

    _, stored, _ = run("block", "", tmp_path)
    build(tmp_path)
    found = Archive(tmp_path).window("beat", int(stored.start_ns[0]), int(stored.stop_ns[-1]))
    assert found.start_ns.tolist() == stored.start_ns.tolist()
    assert found.stop_ns.tolist() == stored.stop_ns.tolist()
    assert np.array_equal(found.offset, stored.offset, equal_nan=True)


@pytest.mark.parametrize("kind", ["line", "block"])
def test_all_are_kept_where_the_lab_file_says_so(kind: str, tmp_path: Path) -> None:
    read, stored, judged = run(kind, "all", tmp_path)
    assert stored.counts is None
    assert stored.gate_ns == GATE_NS
    assert stored.start_ns.tolist() == read.start_ns.tolist()
    assert np.array_equal(stored.offset, read.offset, equal_nan=True)
    assert np.array_equal(stored.flags, read.flags)
    assert judged.counts is None


def test_the_lab_file_says_how_a_channel_is_kept() -> None:
    def channel(text: str) -> Channel:
        return parse_lab(text).channels["beat"]

    assert channel(lab_text("block")).mean_of == 10
    assert channel(lab_text("block", "all")).mean_of == 1
    slow = lab_text("block").replace("0.0001", "0.001")
    assert channel(slow).mean_of == 1  # a thousand a second are kept
    above = lab_text("block").replace("0.0001", "0.0009")
    assert (channel(above).mean_of, channel(above).row_ns) == (2, 1_800_000)
    dead = lab_text("block").replace("gate_s = 0.0001", "gate_s = 0.0001\ndead_time_s = 0.0001")
    assert (channel(dead).mean_of, channel(dead).row_ns) == (5, 900_000)


def test_the_readme_shows_it() -> None:
    page = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
    block = page.split("**Read fast counters**")[1].split("```toml\n")[1].split("```")[0]
    keys = block.replace("[channels.beat_729]\n", "")
    text = lab_text("block").replace("gate_s = 0.0001\n", keys)
    assert parse_lab(text).channels["beat"].mean_of == 1
    without = text.replace('store = "all"', "")
    assert parse_lab(without).channels["beat"].mean_of == 10


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('store = "all"', 'store = "some"', "channels.beat.store: 'some' is text; one of \"all\""),
        (
            'store = "all"',
            'store = "all"\ngroup = "g"\n[channels.ceo]\nnominal_hz = 2e7\ninstrument = "fast"\n'
            'input = 2\ngate_s = 0.0001\ngroup = "g"\nweighting = "pi"',
            "channels.ceo.store: group 'g' also holds 'beat', of which the trace keeps every gate",
        ),
        (
            'store = "all"',
            'store = "all"\n[channels.lo]\nnominal_hz = 2e7\nassumed = true\nstore = "all"',
            "channels.lo.store: an assumed value has no readings to store",
        ),
    ],
)
def test_what_cannot_be_kept_so_is_refused(old: str, new: str, said: str) -> None:
    with pytest.raises(LabFileError) as caught:
        parse_lab(lab_text("block", "all").replace(old, new))
    assert said in str(caught.value)


def test_memory_holds_an_hour_of_a_thousand_gates_a_second_and_no_more() -> None:
    from labref.model.result import Result
    from labref.model.verdict import Frequencies, all_good
    from labref.session.history import History

    history = History(most_gates=1000)
    for k in range(30):
        start = (k * 100 + np.arange(100)) * GATE_NS
        none = np.zeros(100)
        ones = np.ones(100, np.uint32)
        block = Frequencies(
            "fast", "1", 1, start, start + GATE_NS, none, none, ones, none, none, 0.0
        )
        history.add(Result(block, all_good(100)))
    assert history.has_forgotten
    assert history.begin_ns == 2000 * GATE_NS
