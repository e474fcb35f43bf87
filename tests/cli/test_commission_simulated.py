"""A newcomer's way to the first commissioned laser: two terminals, one of them the table."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from labref.session.commission_record import CommissionRecord

EXAMPLE = Path(__file__).parents[2] / "examples" / "ca_ion_lab.toml"
LABREF = [sys.executable, "-c", "from labref.cli.main import main; main()"]


class Table:
    """`labref simulate` with somebody who types."""

    def __init__(self, folder: Path) -> None:
        self.lab_file = folder / "sim.toml"
        arguments = ["simulate", str(EXAMPLE), "--no-faults", "--write", str(self.lab_file)]
        self.process = subprocess.Popen(
            [*LABREF, *arguments], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        while not self._line().startswith("lab file"):
            pass

    def _line(self) -> str:
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line, "labref simulate has ended"
        return line.strip()

    def turn(self, words: str) -> str:
        assert self.process.stdin is not None
        self.process.stdin.write(words + "\n")
        self.process.stdin.flush()
        return self._line()

    def close(self) -> None:
        self.process.terminate()
        self.process.wait(20)
        for stream in (self.process.stdin, self.process.stdout):
            assert stream is not None
            stream.close()


@pytest.fixture
def table(tmp_path: Path) -> Iterator[Table]:
    made = Table(tmp_path)
    yield made
    made.close()


def test_what_is_typed_at_the_table_is_done_and_answered(table: Table) -> None:
    assert table.turn("block L866") == "L866 is blocked"
    assert table.turn("f_rep +2").startswith("f_rep moved by 2.0 Hz")
    assert table.turn("what").startswith("knobs: ")
    table.turn("unplug counter_a")
    assert table.process.poll() is None


@pytest.mark.long
def test_the_first_laser_is_commissioned(table: Table) -> None:
    """Every request of `labref commission` is done at the table as the README says."""
    command = ["commission", str(table.lab_file), "L866", "--by", "newcomer"]
    process = subprocess.Popen(
        [*LABREF, *command, "--write"], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT, bufsize=0,
    )  # fmt: skip
    assert process.stdin is not None
    assert process.stdout is not None
    said, moved = b"", ""
    while more := process.stdout.read(1):
        said += more
        if said.endswith(b"]: "):
            knob, number = wanted(said.decode().split("]: ")[-2], moved)  # prompts share a line
            moved = knob if knob.startswith("f_") else moved
            answer = table.turn(knob)
            found = re.search(number, answer) if number else None
            process.stdin.write((found[1] if found else "").encode() + b"\n")
    assert process.wait(20) == 0, said.decode()
    with table.lab_file.open("rb") as file:
        evidence = tomllib.load(file)["lasers"]["L866"]["evidence"]
    assert (evidence["by"], evidence["k"]) == ("newcomer", 5)
    text = table.lab_file.read_text(encoding="utf-8")
    assert CommissionRecord(table.lab_file, text, "L866").path.exists()


def wanted(asked: str, moved: str) -> tuple[str, str]:
    """(what to turn, how the number to give stands in the answer)."""
    if "loop a synthesizer" in asked:
        return "loop counter_b", r"off by ([-+0-9.]+) Hz"
    if "spectrum analyser" in asked:
        return "analyser L866", r"stands ([-0-9.]+) dB"
    if "unblock" in asked:
        return "unblock L866", ""
    if "block the light" in asked:
        return "block L866", ""
    if "raise f_rep" in asked:
        return "f_rep +2", r"by ([0-9.]+) Hz"
    if "raise f_ceo" in asked:
        return "f_ceo +2e5", r"by ([0-9.]+) Hz"
    if "put it back" in asked:
        return moved.split()[0] + " back", ""
    assert "until the atoms respond" in asked
    return "atoms L866", r"seen to ([0-9.]+) Hz"
