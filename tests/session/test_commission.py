"""The exam: fifty laboratories with one error each; none is commissioned wrong (M17, M18)."""

from __future__ import annotations

import importlib.util
import sys
import tomllib
from collections import Counter
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from labref.config.lab import parse_lab
from labref.config.load import parse_document
from labref.model.errors import InputError, LabFileError, RefusedError
from labref.model.verdict import State
from labref.session.commission import STEPS, Finding, commission, subject_of
from labref.session.commission_record import CommissionRecord, evidence, with_evidence

HERE = Path(__file__).parent
EXAM = tomllib.loads((HERE / "commission_exam.toml").read_text("utf-8"))
RANGES: dict[str, list[float]] = EXAM["ranges"]


def _load() -> ModuleType:
    spec = importlib.util.spec_from_file_location("commission_world", HERE / "commission_world.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["commission_world"] = module
    spec.loader.exec_module(module)
    return module


world = _load()


def draw(rng: np.random.Generator, key: str) -> Fraction:
    low, high = RANGES[key]
    return Fraction(round(float(rng.uniform(low, high))))


def nature(rng: np.random.Generator, error: str) -> Any:
    f_rep, harmonic = draw(rng, "f_rep_hz"), int(draw(rng, "harmonic"))
    if_sign = int(rng.choice([1, -1]))
    laser = draw(rng, "optical_hz")
    ceo = draw(rng, "f_ceo_hz") * int(rng.choice([1, -1]))
    beat_sign, beat = int(rng.choice([1, -1])), draw(rng, "beat_hz")
    n = round((laser - ceo - beat_sign * beat) / f_rep)
    laser = n * f_rep + ceo + beat_sign * beat
    times = 2 if error == "doubler forgotten" else int(rng.choice([1, 2]))
    order, passes = int(rng.choice([1, -1])), int(rng.choice([1, 2]))
    if error == "one pass forgotten":
        passes = 2
    aom = draw(rng, "aom_hz")
    facts = world.Facts(
        f_rep, harmonic, harmonic * f_rep - if_sign * draw(rng, "if_hz"), if_sign, ceo, n,
        beat_sign, beat, 1, times, aom, order, passes, times * laser + order * passes * aom,
        float(rng.uniform(*RANGES["wavemeter_u_hz"])),
        float(rng.uniform(*RANGES["gate_scatter_hz"])),
    )  # fmt: skip
    options: dict[str, Any] = {"wavemeter_bias": float(rng.normal(0, facts.wavemeter_u))}
    if error == "divider forgotten":
        options["divider"] = int(draw(rng, "divider"))
    if error == "own time base":
        options["time_base_y"] = float(rng.uniform(*RANGES["time_base_y"]) * rng.choice([1, -1]))
    made = world.Nature(facts, error, options, rng)
    made.nominal = {name: Fraction(world.decimal(v)) for name, (v, _, _) in made.counted().items()}
    return made


def believed(made: Any, rng: np.random.Generator) -> Any:
    """What its people write: right but for the one error, their n fitted to the wavemeter."""
    b, error = made.facts, made.error
    changes: dict[str, dict[str, Any]] = {
        "LO on the wrong side": {"if_sign": -b.if_sign},
        "AOM order reversed": {"order": -b.order},
        "one pass forgotten": {"passes": 1},
        "wrong Zeeman component": {
            "line": b.line + draw(rng, "component_hz") * int(rng.choice([1, -1]))},
        "f_ceo sign wrong": {"ceo": -b.ceo},
        "wrong harmonic": {"harmonic": b.harmonic + int(rng.choice([1, -1]))},
        "doubler forgotten": {"times": 1},
    }  # fmt: skip
    b = replace(b, **changes.get(error, {}))
    ceo = made.nominal["f_ceo"] * (1 if b.ceo > 0 else -1)
    b = world.believe_n(b, made.nominal, ceo)
    if error == "n off":
        b = replace(b, n=b.n + int(draw(rng, "tooth")) * int(rng.choice([1, -1])))
    if error == "beat sign wrong":
        b = replace(b, beat_sign=-b.beat_sign)
    return b


def examine(seed: int, error: str) -> tuple[list[Finding], str]:
    """Findings in order; and why the lab file or the laser was refused before, if it was."""
    rng = np.random.default_rng(seed)
    made = nature(rng, error)
    text = world.lab_text(believed(made, rng), made.nominal, made.facts.wavemeter_u)
    try:
        lab = parse_lab(text)
        subject = subject_of(lab, parse_document(text.encode(), "lab.toml").tables, "L")
    except (LabFileError, InputError, RefusedError) as refused:
        return [], str(refused)
    return list(commission(subject, made)), ""


def is_commissioned(findings: list[Finding]) -> bool:
    return [f.step for f in findings] == list(STEPS) and all(
        f.state is State.GOOD for f in findings
    )


def test_fifty_labs_with_one_error_each_none_commissioned_wrong(
    capsys: pytest.CaptureFixture[str],
) -> None:
    outcome: Counter[tuple[str, str]] = Counter()
    wrong = []
    for i in range(EXAM["labs"]):
        error = EXAM["kinds"][i % len(EXAM["kinds"])]
        findings, refused = examine(EXAM["seed"] + i, error)
        if is_commissioned(findings):
            wrong.append((i, error))
            continue
        where = (
            "lab file refused" if refused else f"{findings[-1].state.word} at {findings[-1].step}"
        )
        outcome[(error, where)] += 1
    with capsys.disabled():
        lines = [f"  {n} x {error}: {where}" for (error, where), n in sorted(outcome.items())]
        if "-s" in sys.argv:
            sys.stdout.write("\n".join(["", *lines, ""]))
    assert wrong == []
    assert sum(outcome.values()) == EXAM["labs"]


@pytest.mark.long
def test_a_thousand_labs_none_commissioned_wrong() -> None:
    for i in range(1000):
        error = EXAM["kinds"][i % len(EXAM["kinds"])]
        findings, _ = examine(7_000_000 + i, error)
        assert not is_commissioned(findings), (i, error)


def test_laboratories_without_an_error_are_commissioned() -> None:
    for i in range(EXAM["right_labs"]):
        findings, refused = examine(EXAM["seed"] + 1000 + i, "none")
        assert is_commissioned(findings), (i, refused, findings[-1:])


def test_findings_are_kept_resumed_and_become_evidence_in_the_lab_file(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    made = nature(rng, "none")
    text = world.lab_text(believed(made, rng), made.nominal, made.facts.wavemeter_u)
    path = tmp_path / "lab.toml"
    path.write_text(text, "utf-8")
    lab = parse_lab(text)
    subject = subject_of(lab, parse_document(text.encode(), "lab.toml").tables, "L")
    record = CommissionRecord(path, text, "L")
    for finding in list(commission(subject, made))[:4]:
        record.add(finding, 10**18, "A. Person")
    again = CommissionRecord(path, text, "L")
    assert again.done == frozenset(STEPS[:4])
    assert [f.step for f in commission(subject, made, again.done)] == list(STEPS[4:])
    # A lab file that was changed is commissioned from the start.
    assert CommissionRecord(path, text + "\n", "L").done == frozenset()
    found, values = evidence(subject, dict(made.read()), 10**18, "A. Person")
    written = parse_lab(with_evidence(text, "L", values))
    record_n = written.integers["lasers.L.n"]
    assert record_n.value == found.best.n == made.facts.n
    assert record_n.is_confirmed
    assert record_n.k == 5
    assert abs(Fraction(str(record_n.f_rep_hz)) - made.facts.f_rep) < Fraction(1, 1000)


def test_a_laser_that_follows_the_comb_and_one_without_a_witness_are_refused() -> None:
    rng = np.random.default_rng(6)
    made = nature(rng, "none")
    text = world.lab_text(believed(made, rng), made.nominal, made.facts.wavemeter_u)
    locked = text.replace('loop = "out"', 'loop = "in"')
    lab = parse_lab(locked)
    subject = subject_of(lab, parse_document(locked.encode(), "lab.toml").tables, "L")
    last = list(commission(subject, made))[-1]
    assert (last.step, last.state) == ("signs", State.UNKNOWN)
    assert "follows the comb" in last.text
    with pytest.raises(InputError, match="no laser"):
        subject_of(lab, parse_document(locked.encode(), "lab.toml").tables, "M")
