"""The report: what it must say, the same bytes twice, nothing from outside, nothing unescaped."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from labref.config.lab import Lab, parse_lab
from labref.model.flags import Flag
from labref.plugins import load_plugins
from labref.report.blocks import Block, Paragraph, Verbatim
from labref.report.make import Choice, make, sections_of
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab

TABLES = load_plugins(("tolerance", "evidence")).tables()


def parse(text: str) -> Lab:
    return parse_lab(text, "stored", TABLES)


@pytest.fixture(scope="module")
def trace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """600 gates: good, 40 of them outside, 30 without a reading, 2 cycle slips."""
    out = tmp_path_factory.mktemp("record") / "trace"
    bench = MemoryBench(comb_lab(('title = "An', 'title = "<b>&An')), out=out)
    rng = np.random.default_rng(1)
    beat = rng.normal(0.0, 1.0, 600)
    beat[100:140] += 50e3
    flags = np.full(600, int(Flag.WRITTEN), np.uint32)
    flags[300:330] |= int(Flag.GAP)
    flags[500:502] |= int(Flag.CYCLE_SLIP)
    with bench.session:
        for k in range(0, 600, 60):
            part = slice(k, k + 60)
            bench.gates("beat", beat[part], flags=flags[part])
            bench.run(
                {
                    "f_rep": rng.normal(0.0, 1e-5, 60),
                    "f_ceo": rng.normal(0.0, 0.1, 60),
                    "wm": rng.normal(0.0, 1e6, 60),
                }
            )
    return out


@pytest.fixture(scope="module")
def page(trace: Path) -> str:
    return make([trace], parse, Choice(versions=(("labref", "test"),)))


class Balance(HTMLParser):
    """Every element that is opened is closed, in order."""

    VOID = frozenset(["meta", "br", "hr", "img", "link", "input"])

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.links: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in self.VOID:
            self.open.append(tag)
        self.links += [value or "" for key, value in attrs if key in ("src", "href")]

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.links += [value or "" for key, value in attrs if key in ("src", "href")]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_same_bytes_twice(trace: Path, page: str) -> None:
    assert make([trace], parse, Choice(versions=(("labref", "test"),))) == page


def test_it_is_well_formed_and_needs_nothing_from_outside(page: str) -> None:
    balance = Balance()
    balance.feed(page)
    assert balance.open == []
    assert balance.links
    assert all(link.startswith("#") for link in balance.links)
    assert "<script" not in page
    assert "url(http" not in page
    assert "&lt;b&gt;&amp;An invented comb" in page  # a title is text, never markup


def test_every_figure_has_an_alternative_text(page: str) -> None:
    figures = re.findall(r"<svg.*?</svg>", page, re.DOTALL)
    assert len(figures) >= 2
    for figure in figures:
        root = ET.fromstring(figure)
        names = {child.tag.rpartition("}")[2]: child.text or "" for child in root}
        assert len(names["desc"]) > 40
        assert names["title"]
    cuts = re.findall(r'<clipPath id="([^"]+)"', page)
    assert len(cuts) == len(set(cuts))


def test_it_says_what_was_measured_against_what(page: str) -> None:
    for text in (
        "maser (oscillator) realises the SI second with u = 1.0e-13",
        "not independently checked ever",
        "lasers.l729.n = 1644168: wavemeter",
        "A good verdict leans on wm729",
        "mean frequency only",
        "need: half tolerance / k",
        "Linewidth by the beta-separation line",
    ):
        assert text in page, text


def test_alarms_gaps_slips_and_checksums_are_in_it(trace: Path, page: str) -> None:
    import hashlib

    assert re.search(r"<td>clock729</td><td>outside tolerance</td><td class=\"n\">1</td>", page)
    row = re.search(r"<tr><td>beat</td>(.*?)</tr>", page)
    assert row is not None
    cells = re.findall(r">([^<]*)</td>", row[1])
    # gates, usable, holes, lost, longest, slips
    assert cells[:6] == ["600", "568", "2", "32.0 s", "30.0 s", "2"]
    for file in trace.glob("*.h5"):
        assert hashlib.sha256(file.read_bytes()).hexdigest() in page
    assert "No output was moved: no attempt." in page


def test_shares_add_up(page: str) -> None:
    shares = [
        float(re.search(rf"<td>{word}</td><td>([\d.]+) % \(", page)[1])  # type: ignore[index]
        for word in ("good", "bad", "unknown")
    ]
    assert sum(shares) == pytest.approx(100.0, abs=0.2)
    assert shares[1] == pytest.approx(100.0 * 40 / 600, abs=0.3)


def test_the_mean_and_its_budget(page: str) -> None:
    found = re.search(r"<td>mean frequency</td><td>([\d\u202f.]+)\(", page)
    assert found is not None
    # Over all usable gates: 40 of 568 lie 50 kHz above.
    mean = float(found[1].replace("\u202f", "")) - 411042129776400
    assert mean == pytest.approx(50e3 * 40 / 568, rel=0.1)
    assert "Uncertainty budget of the mean" in page


class Extra:
    title = "From a plugin"

    def __init__(self, blocks: Sequence[Any], wrong: Exception | None = None) -> None:
        self._blocks, self._wrong = blocks, wrong

    def blocks(self, record: Any) -> Sequence[Block]:
        if self._wrong is not None:
            raise self._wrong
        return self._blocks


def test_sections_of_plugins_are_added_escaped_and_guarded(trace: Path) -> None:
    good = Extra([Paragraph("<i>from outside</i>"), Verbatim("x < y")])
    bad = Extra([], ValueError("broken"))
    other = Extra(["<p>no block</p>"])
    extra = sections_of([("one", [good, bad]), ("two", [other])])
    page = make([trace], parse, Choice(extra=extra))
    assert "&lt;i&gt;from outside&lt;/i&gt;" in page
    assert page.count("This section could not be made") == 2
    assert "Checksums of the traces" in page


def test_a_lab_file_that_is_not_understood_is_said_not_hidden(trace: Path) -> None:
    from labref.model.errors import LabFileError, Problem

    def old(_text: str) -> Lab:
        raise LabFileError("stored", [Problem(1, "labref", "another schema")])

    page = make([trace], old, Choice())
    assert "cannot be understood by this version: stored:1: labref: another schema" in page
    assert "clock729: frequency and uncertainty" in page


def test_two_traces_are_two_chapters(trace: Path) -> None:
    page = make([trace, trace], parse, Choice())
    assert page.count("trace: Summary</h2>") == 2
