"""Notes of people and hands on a laser are a part of the report, and of no other part of it."""

from __future__ import annotations

import html
import re
from pathlib import Path

import numpy as np

from labref.config.lab import parse_lab
from labref.model.times import iso
from labref.plugins import load_plugins
from labref.report.make import Choice, make
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab

NAMES = ("tolerance", "evidence")


def section(page: str, heading: str) -> str:
    """The text between a heading and the next one, tags taken away."""
    found = re.search(rf"<h\d[^>]*>{re.escape(heading)}</h\d>(.*?)<h\d", page, re.DOTALL)
    assert found, heading
    return html.unescape(re.sub(r"<[^>]+>", " ", found[1]))


def test_the_report_has_the_notes_in_the_order_of_time(tmp_path: Path) -> None:
    bench = MemoryBench(comb_lab(), plugins=NAMES, out=tmp_path / "trace")
    channels = ("f_rep", "f_ceo", "beat", "wm")
    said = []
    with bench.session:
        bench.run({name: np.zeros(30) for name in channels})
        said.append(bench.session.people.note("fibre <touched>", "A. Person", "clock729"))
        bench.run({name: np.zeros(30) for name in channels})
        lasers = bench.session.people.hands_on("clock729", "B. Person", 600.0)
        bench.run({name: np.zeros(30) for name in channels})
        bench.session.people.hands_off("clock729", "B. Person")
        bench.run({name: np.zeros(30) for name in channels})
    tables = load_plugins(NAMES).tables()
    page = make([tmp_path / "trace"], lambda text: parse_lab(text, "stored", tables), Choice())
    noted = section(page, "Notes of people, and hands on (3)")
    assert iso(said[0].time_ns, 1) in noted
    order = [
        "[clock729] A. Person: fibre <touched>",
        f"[{lasers[0]}] B. Person: until",
        "hands off",
    ]
    places = [noted.index(text) for text in order]
    assert places == sorted(places)
    assert page.count("fibre &lt;touched&gt;") == 1


def test_a_report_without_notes_has_no_such_part(tmp_path: Path) -> None:
    bench = MemoryBench(comb_lab(), plugins=NAMES, out=tmp_path / "trace")
    with bench.session:
        bench.run({name: np.zeros(30) for name in ("f_rep", "f_ceo", "beat", "wm")})
    tables = load_plugins(NAMES).tables()
    page = make([tmp_path / "trace"], lambda text: parse_lab(text, "stored", tables), Choice())
    assert "Notes of people" not in page
