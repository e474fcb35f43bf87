"""A stranger derives every number of a bundle again, and notices what was changed."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from labref.cli.bundle import METADATA, check_bundle, command, pack
from labref.cli.rederive import derive
from labref.model.errors import InputError
from labref.plugins import load_plugins
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab

CHECKS = ("tolerance", "evidence", "tooth")


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A recorded hour whose mode number was wrong, and the same hour repaired."""
    folder = tmp_path_factory.mktemp("records")
    text = comb_lab(("n = 1644168", "n = 1644169"))
    bench = MemoryBench(text, plugins=CHECKS, out=folder / "raw")
    rng = np.random.default_rng(3)
    for _ in range(6):
        quiet: dict[str, Any] = {
            "f_rep": rng.normal(0, 1e-5, 600), "f_ceo": rng.normal(0, 0.1, 600),
            "beat": rng.normal(0, 20, 600), "wm": rng.normal(0, 1e6, 600),
        }  # fmt: skip
        bench.run(quiet)
    bench.session.stop()
    derive(folder / "raw", comb_lab(), "", folder / "repaired", load_plugins(CHECKS))
    return folder / "raw", folder / "repaired"


def test_every_number_comes_back_from_the_bundle(
    records: tuple[Path, Path], tmp_path: Path
) -> None:
    out = tmp_path / "night.zip"
    pack(records, out, "An invented night", ["A. Person"])
    wrong, found = check_bundle(out, load_plugins(CHECKS))
    assert wrong == []
    assert {one.name for one in found} == {"raw", "repaired"}
    assert all(one.is_same and one.gates == 3600 for one in found)
    with zipfile.ZipFile(out) as archive:
        crate = json.loads(archive.read(METADATA))
        graph = {row["@id"]: row for row in crate["@graph"]}
        members = {name for name in archive.namelist() if "/" in name}
    assert graph[METADATA]["conformsTo"]["@id"] == "https://w3id.org/ro/crate/1.1"
    assert {part["@id"] for part in graph["./"]["hasPart"]} == members
    assert graph["#derivation-repaired"]["object"]["@id"] == "raw/"


def test_a_changed_member_is_noticed(records: tuple[Path, Path], tmp_path: Path) -> None:
    good, bad = tmp_path / "good.zip", tmp_path / "bad.zip"
    pack(records, good, "t", [])
    with zipfile.ZipFile(good) as old, zipfile.ZipFile(bad, "w") as new:
        for name in old.namelist():
            data = old.read(name)
            new.writestr(
                name, data.replace(b"1644168", b"1644167") if name.endswith(".toml") else data
            )
    run = CliRunner().invoke(command, ["--check", str(bad)])
    assert run.exit_code == 1
    assert "lab.toml: the checksum is wrong" in run.output


def test_a_derived_record_needs_its_parent(records: tuple[Path, Path], tmp_path: Path) -> None:
    with pytest.raises(InputError, match="its parent"):
        pack(records[1:], tmp_path / "b.zip", "t", [])


def test_a_member_outside_the_folder_is_refused(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "evil.zip", "w") as archive:
        archive.writestr("../evil.txt", "x")
    with pytest.raises(InputError, match="does not belong"):
        check_bundle(tmp_path / "evil.zip", load_plugins(CHECKS))
