"""What the README says of checks and alarms is a lab file that loads, and its checks register."""

from __future__ import annotations

from pathlib import Path

from labref.config.lab import parse_lab
from labref.plugins import load_plugins

ROOT = Path(__file__).parents[2]
MORE = """
[channels.gnssdo_lamp]
kind = "lock"
nominal = 1
unit = "1"
instrument = "counter_a"
input = 8
[channels.comb_lamp]
kind = "lock"
nominal = 1
unit = "1"
instrument = "counter_a"
input = 9
[witnesses.comb_lock]
channel = "comb_lamp"
limits = [-0.5, 0.5]
[channels.beat_729_narrow]
nominal_hz = 54028680.4
instrument = "counter_b"
input = 8
loop = "out"
sigma = 0.02
"""


def test_the_readme_is_a_lab_file_that_loads() -> None:
    page = (ROOT / "README.md").read_text("utf-8")
    section = page.split("**Checks and alarms**")[1]
    table = section.split("```toml\n")[1].split("```")[0]
    example = (ROOT / "examples" / "ca_ion_lab.toml").read_text("utf-8").split("[alarms]")[0]
    plugins = load_plugins()
    assert not plugins.problems
    lab = parse_lab(example + MORE + table, "lab.toml", plugins.tables())
    found = [check for _, checks in plugins.ask("register_checks", lab=lab) for check in checks]
    names = {check.name for check in found if check.transition == "clock729"}
    assert {"reference health", "cycle slip", "integer life", "too good", "tooth"} <= names
    assert (lab.alarms.deadband, lab.alarms.kinds[0].priority) != (0, None)
