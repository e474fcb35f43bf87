"""Example labs planned: one for each way of referencing, each recommendation defended."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from labref.cli.labs import load
from labref.config.lab import load_lab, parse_lab
from labref.model.errors import InputError, LabFileError
from labref.model.verdict import State
from labref.planning.answer import Answer, line_of, plan, requirement, weigh
from labref.planning.budget import Balance, Scale
from labref.planning.offers import builtin_offers, part_from
from labref.planning.parts import builtin_parts
from labref.planning.requirement import Requirement
from labref.planning.resolve import mode_number

ROOT = Path(__file__).parents[2]
LABS = sorted((ROOT / "examples" / "labs").glob("*.toml"))
CA = ROOT / "examples" / "ca_ion_lab.toml"

# lab, transition: (recommended, what limits it)
DEFENDED = {
    ("wavemeter_only", "ionise423"): ("wavemeter_servo", "accuracy"),
    ("wavemeter_only", "mot461"): ("wavemeter_servo", "accuracy"),
    ("gnss_comb", "lattice813"): ("rf_comb", "instability"),
    ("gnss_comb", "mot461"): ("wavemeter_servo", "accuracy"),
    ("molecular_comb", "cooling556"): ("molecular_comb", "accuracy"),
    ("telecom_comb", "clock698"): ("telecom_comb_atoms", "aliased noise (Dick effect) at 1 s"),
    ("telecom_comb", "cooling689"): ("telecom_comb", "accuracy"),
    ("own_cavity", "qubit729"): ("cavity_rf_comb", "noise at the Rabi frequency"),
    ("atoms", "clock729"): ("cavity_atoms", "instability"),
    ("atoms", "cooling397"): ("fluorescence_steered", "instability"),
    ("ca_ion_lab", "cooling397"): ("fluorescence_steered", "instability"),
    ("ca_ion_lab", "clock729"): ("cavity_atoms", "noise at the Rabi frequency"),
}


@pytest.fixture(scope="module")
def answers() -> dict[tuple[str, str], Answer]:
    found = {}
    for path in [*LABS, CA]:
        lab, _ = load(path)  # as `labref check` does: every problem would raise
        assert "invented" in lab.title
        found.update({(path.stem, name): answer for name, answer in plan(lab).items()})
    return found


def test_there_is_a_lab_for_every_way_of_referencing() -> None:
    assert {path.stem for path in LABS} == {
        "wavemeter_only", "gnss_comb", "molecular_comb", "telecom_comb", "own_cavity", "atoms",
    }  # fmt: skip


@pytest.mark.parametrize("key", DEFENDED, ids=lambda key: "-".join(key))
def test_recommendations(answers: dict[tuple[str, str], Answer], key: tuple[str, str]) -> None:
    best = answers[key].recommended
    assert best is not None
    assert (best.offer.name, best.tightest.limited_by) == DEFENDED[key]
    # Simplest: everything that comes before it fails somewhere.
    for one in answers[key].offered:
        if one is best:
            break
        assert one.state != State.GOOD


def test_more_than_needed_is_said(answers: dict[tuple[str, str], Answer]) -> None:
    assert answers["gnss_comb", "mot461"].has_more_than_needed
    assert not answers["gnss_comb", "lattice813"].has_more_than_needed
    assert answers["atoms", "cooling397"].has_more_than_needed


def test_the_next_better_has_clearly_more_margin(answers: dict[tuple[str, str], Answer]) -> None:
    for answer in answers.values():
        if answer.next_better is not None and answer.recommended is not None:
            ratio = answer.next_better.tightest.margin / answer.recommended.tightest.margin
            assert ratio >= 1.5
            assert answer.next_better.offer.effort >= answer.recommended.offer.effort


RABI = np.geomspace(1e2, 5e6, 12)


@pytest.mark.parametrize("kind", ["coherent-pulse", "shelving", "sideband-cooling", "ramsey"])
def test_an_rf_referenced_comb_is_never_offered_for_coherent_light(kind: str) -> None:
    """On linewidth grounds, however fast the pulse and however large the allowed error."""
    lab, _ = load(CA)
    lines = {name: line_of(lab, t) for name, t in lab.transitions.items()}
    offer = next(o for o in builtin_offers() if o.name == "rf_comb")
    for rabi in RABI.tolist():
        for error in (1e-4, 0.3, 0.9):
            keys = {
                "coherent-pulse": f"rabi_hz = {rabi!r}\nerror = {error}",
                "shelving": f"rabi_hz = {rabi!r}\nerror = {error}",
                "sideband-cooling": f"rabi_hz = {rabi!r}\ntrap_hz = 1e6\neta = 0.1\n"
                f"error = {error}",
                "ramsey": f"dark_s = {1 / rabi!r}\ncontrast = {1 - error!r}",
            }[kind]
            need = _use(lab_text(f'kind = "{kind}"\n{keys}'), lines)
            found = weigh(lines["clock729"], (need,), offer)
            assert found.state == State.BAD
            assert found.tightest.limited_by in {"linewidth", "accuracy", "instability"} or (
                "noise" in found.tightest.limited_by
            )
            scales = {scale.what: scale for scale in found.balances[0].scales}
            assert scales["coherence"].limited_by == "linewidth"
            assert scales["coherence"].margin < 1.0


def lab_text(use: str, tolerance: str = "5e3") -> str:
    """The demo's lab with one use of the 729 nm line, and another tolerance."""
    text = CA.read_text()
    head, tail = text.split("[transitions.clock729.uses.gate]", 1)
    rest = tail[tail.index("[transitions.clock729.shifts") :]
    head = head.replace("tolerance_hz = 5e3", f"tolerance_hz = {tolerance}")
    return f"{head}[transitions.clock729.uses.gate]\n{use}\n\n{rest}"


def _use(text: str, lines: dict[str, object]) -> Requirement:
    lab = parse_lab(text)
    use = lab.uses["clock729"]["gate"]
    return requirement(lines["clock729"], "gate", use, lines, 86400.0)  # type: ignore[arg-type]


def test_a_tolerance_of_a_microhertz_is_served_by_nothing(tmp_path: Path) -> None:
    path = tmp_path / "lab.toml"
    path.write_text(CA.read_text().replace("tolerance_hz = 5e3", "tolerance_hz = 1e-6"))
    with pytest.raises(LabFileError, match="cannot be judged"):
        load_lab(path)
    lab = load_lab(path, must_judge=False)
    assert any("cannot be judged" in warning.what for warning in lab.warnings)
    answer = plan(lab)["clock729"]
    assert answer.recommended is None
    assert answer.judge.instrument is None
    assert {one.state for one in answer.offered} == {State.BAD}
    # What the uses need is still told apart from what the tolerance asks.
    assert answer.uses_alone is not None
    assert answer.uses_alone.offer.name == "cavity_atoms"


def test_an_old_lab_file_is_planned_by_its_tolerance(tmp_path: Path) -> None:
    lab = parse_lab((ROOT / "examples" / "ocxo.toml").read_text())
    for answer in plan(lab).values():
        assert [need.use for need in answer.needs] == ["tolerance_hz"]


def test_what_judges_has_a_quarter_of_the_tolerance(answers: dict[tuple[str, str], Answer]) -> None:
    """M5, with the offers' own numbers."""
    found = answers["gnss_comb", "lattice813"]
    assert found.judge.u_hz == pytest.approx(250e3 / 4)
    assert found.judge.instrument == "rf_comb"
    light = found.measured["rf_comb"]
    assert math.hypot(light.accuracy_hz(), light.sigma_hz(0.1)) <= 62.5e3
    assert math.hypot(light.accuracy_hz(), light.sigma_hz(0.01)) > 62.5e3
    assert found.measured["wavemeter"].accuracy_hz() > 62.5e3


@pytest.mark.parametrize("share", [0.98, 1.1])
def test_m17_the_wavemeter_that_planning_asks_for_resolves_the_mode_number(share: float) -> None:
    """Best beat, signs open: unique with the stated u, refused with a tenth more."""
    from fractions import Fraction

    from labref.frequency.mode_number import Coarse, Lines, from_coarse
    from labref.model.errors import AmbiguousError

    f_rep = 250_000_000
    light = builtin_parts()["rf_comb"].at(4.11e14)
    need = mode_number(4.11e14, f_rep, None, light)
    assert need.wavemeter_u_hz == pytest.approx(12.5e6)
    lines = Lines(Fraction(f_rep), Fraction(20_000_000), Fraction(int(need.beat_hz)))
    true = 1_644_000 * f_rep + 20_000_000 + int(need.beat_hz)
    u = share * need.wavemeter_u_hz
    worst = Coarse(Fraction(true) + Fraction(5.0 * u * 0.999), u)
    if share < 1:
        assert from_coarse(worst, lines).best.n == 1_644_000
    else:
        with pytest.raises(AmbiguousError):
            from_coarse(worst, lines)
    assert math.sqrt(2) * light.sigma_hz(1.0) / need.step_hz * 5 == pytest.approx(0.5)
    assert need.f_rep_u * 4.11e14 == pytest.approx(need.wavemeter_u_hz)
    assert need.gate_s == 0.01


def test_recalibration_is_what_the_drift_leaves() -> None:
    lab, _ = load(CA)
    answer = plan(lab)["ionise423"]
    found = next(one for one in answer.offered if one.offer.name == "telecom_comb")
    need = answer.tightest
    light = found.light
    off = need.k * math.hypot(light.accuracy_hz(), light.sigma_hz(need.shot_s))
    assert found.recalibrate_s == pytest.approx(
        (need.room_hz - off) / light.drift_hz_per_s(), rel=1e-6
    )


def test_unknown_is_never_good() -> None:
    """A reference fitted from a night says nothing about days, nor about the Rabi frequency."""
    lab, _ = load(CA)
    mine = part_from(
        {
            "labref_offer": 1, "name": "mine", "part": "whole", "nominal_hz": 411042129776400,
            "accuracy": {"u": 1e-15}, "drift": {"per_s": 0},
            "sigma_y": {"tau_s": [1, 1e7], "value": [1e-15, 1e-15]},
            "s_nu": {"f_hz": [1e-3, 0.5], "value": [0.01, 0.01]},
        }
    )  # fmt: skip
    from labref.planning.offers import offer_of_part

    lines = {name: line_of(lab, t) for name, t in lab.transitions.items()}
    need = _use(lab_text('kind = "coherent-pulse"\nrabi_hz = 50e3\nerror = 0.02'), lines)
    found = weigh(lines["clock729"], (need,), offer_of_part(mine))
    assert found.state == State.UNKNOWN
    assert math.isnan(found.tightest.margin)
    known_bad = Balance("x", (Scale(1, "a", math.nan, "?"), Scale(2, "b", 0.5, "drift")), 0.0)
    assert known_bad.state == State.BAD


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ('kind = "coherent-pulse"', "'rabi_hz' is missing"),
        ('kind = "coherent-pulse"\nrabi_hz = 1e3\nloss = 0.2', "does not know this key"),
        ('kind = "coherent-pulse"\nrabi_hz = 1e3\nerror = 1.5', "share"),
        ('kind = "eit-cooling"\ndetuning_hz = 1\ntrap_hz = 1\npair = "nobody"', "no other"),
        ('kind = "raman"\nrabi_hz = 1\ndetuning_hz = 1', "same_laser"),
        ('kind = "gate"', "coherent-pulse"),
    ],
)
def test_a_use_that_makes_no_sense_is_refused_by_its_key(text: str, word: str) -> None:
    with pytest.raises(LabFileError, match=word) as caught:
        parse_lab(lab_text(text))
    assert any("clock729.uses.gate" in problem.where for problem in caught.value.problems)


def test_planning_names_are_checked() -> None:
    base = lab_text('kind = "coherent-pulse"\nrabi_hz = 1e3')
    with pytest.raises(LabFileError, match="no transition 'x'"):
        parse_lab(base + '\n[planning]\nheld_by = { x = "rf_comb" }\n')
    for line in ('exclude = ["x"]', 'held_by = { clock729 = "x" }', "effort = { x = 1 }"):
        with pytest.raises(InputError, match="'x'"):
            plan(parse_lab(f"{base}\n[planning]\n{line}\n"))
