"""Every row of the page of common mistakes: made in an invented laboratory, and its words found."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from labref.config.lab import parse_lab
from labref.config.load import parse_document
from labref.model.errors import LabFileError
from labref.session.commission import commission, subject_of

ROOT = Path(__file__).parents[2]
ROWS = [
    [cell.strip() for cell in line.strip("|").split("|")]
    for line in (ROOT / "examples" / "common_mistakes.md").read_text("utf-8").splitlines()
    if line.startswith("| ") and not line.startswith("| mistake")
]


def load(name: str) -> ModuleType:
    path = ROOT / "tests" / "session" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(f"{name}_of_the_exam", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


exam = load("test_commission")


def right_lab(*changes: tuple[str, str]) -> tuple[Any, str]:
    rng = np.random.default_rng(11)
    made = exam.nature(rng, "none")
    text = exam.world.lab_text(exam.believed(made, rng), made.nominal, made.facts.wavemeter_u)
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return made, text


def last_words(made: Any, text: str) -> tuple[str, str]:
    try:
        lab = parse_lab(text)
    except LabFileError as refused:
        return "check", str(refused)
    subject = subject_of(lab, parse_document(text.encode(), "lab.toml").tables, "L")
    last = list(commission(subject, made))[-1]
    return last.step, last.text


@pytest.mark.parametrize("row", ROWS, ids=[row[0] for row in ROWS])
def test_labref_says_what_the_page_says(row: list[str]) -> None:
    mistake, where, words, _ = row
    if mistake == "the laser follows the comb":
        found = last_words(*right_lab(('loop = "out"', 'loop = "in"')))
    elif mistake == "no second measurement":
        found = last_words(*right_lab(('witnesses = ["wavemeter"]', "witnesses = []")))
    else:
        findings, refused = exam.examine(exam.EXAM["seed"] + 100, mistake)
        found = ("check", refused) if refused else (findings[-1].step, findings[-1].text)
    assert found[0] == where
    assert words in found[1]


def test_the_page_has_every_kind_of_the_exam() -> None:
    assert set(exam.EXAM["kinds"]) <= {row[0] for row in ROWS}
