"""Whatever a file holds: a lab or a LabFileError, nothing else."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from labref.config.lab import Lab, parse_lab
from labref.model.errors import LabFileError

EXAMPLES = sorted((Path(__file__).parents[2] / "examples").glob("*.toml"))
IDEAS = (
    "labref = 1\n", "[channels.a]\n", "[transitions.t]\n", "[lasers.l]\n", "[combs.c]\n",
    "[references.r]\n", "[witnesses.w]\n", "[cavities.v]\n", "[logs.n]\n", "[instruments.i]\n",
    'laser = "l"\n', 'comb = "c"\n', 'channel = "a"\n', "n = 1\n", 'beat = "a"\n',
    "nominal_hz = 1e6\n", "u = 1e-13\n", 'parent = "r"\n', 'reference = "r"\n',
    "assumed = true\n", "tolerance_hz = 1\n", "target_hz = 1e6\n", "target_u_hz = 0\n",
    'locked_to = "l"\n', "n_ref = 2\n", 'beat_ref = "a"\n', 'f_rep = "a"\n', 'f_ceo = "a"\n',
    'ratio = [1, 2, "l"]\n', 'cavity = "v"\n', "mode = 3\n", "fsr_hz = 1e9\n",
    'columns = { a = 1 }\n', 'witnesses = ["w"]\n', 'kind = "frequency"\n', "within = 1\n",
    'calibrated_by = "c"\n', "limits = [-1, 1]\n", 'address = "x"\n', 'dialect = "y"\n',
    'path = [{ aom_hz = 1e6, u_hz = 1 }, { times = 2 }]\n', 'path = [{ sum = "l" }]\n',
    "u_hz = 0\n", "frequency_hz = 1e14\n", 'role = "eliminated"\n', 'loop = "in"\n',
    "x = nan\n", "k = 1e-40\n", "sigma = 1\n", "hold_s = 1e-12\n", "\n", "# \xff\n", "\x00", "[[",
)  # fmt: skip


def load(data: bytes) -> Lab | LabFileError:
    try:
        return parse_lab(data, "any.toml")
    except LabFileError as error:
        return error


def outcome(data: bytes) -> None:
    result = load(data)
    if isinstance(result, Lab):
        return
    assert result.problems
    for problem in result.problems:
        assert 0 <= problem.line <= data.count(b"\n") + 1
        assert problem.what
        assert "\n" not in problem.text("any.toml")


@settings(deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes(data: bytes) -> None:
    outcome(data)
    outcome(b"labref = 1\n" + data)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.sampled_from(IDEAS), max_size=30), st.randoms(use_true_random=False))
def test_any_arrangement_of_plausible_lines(lines: list[str], rng: random.Random) -> None:
    rng.shuffle(lines)
    outcome(("labref = 1\n" + "".join(lines)).encode())


TABLES = [idea for idea in IDEAS if idea.startswith("[") and idea.endswith("]\n")]
KEYS = [idea for idea in IDEAS if "=" in idea and not idea.startswith("labref")]


@settings(max_examples=200, deadline=None)
@given(
    st.fixed_dictionaries({table: st.sets(st.sampled_from(KEYS), max_size=8) for table in TABLES})
)
def test_any_filling_of_the_tables(document: dict[str, set[str]]) -> None:
    text = "labref = 1\n" + "".join(t + "".join(sorted(keys)) for t, keys in document.items())
    outcome(text.encode())


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_an_example_with_a_line_lost_or_doubled_or_a_byte_flipped(data: Any) -> None:
    lines = data.draw(st.sampled_from(EXAMPLES)).read_bytes().splitlines(keepends=True)
    at = data.draw(st.integers(0, len(lines) - 1))
    match data.draw(st.sampled_from(["lose", "double", "flip", "cut"])):
        case "lose":
            del lines[at]
        case "double":
            lines.insert(at, lines[at])
        case "flip":
            line = bytearray(lines[at])
            line[data.draw(st.integers(0, len(line) - 1))] ^= 1 << data.draw(st.integers(0, 7))
            lines[at] = bytes(line)
        case "cut":
            del lines[at:]
    outcome(b"".join(lines))
