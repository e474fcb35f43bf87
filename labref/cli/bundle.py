"""`labref bundle`: a record with everything that a stranger needs to derive it anew.

One zip file with RO-Crate 1.1 metadata (https://w3id.org/ro/crate/1.1): raw readings, lab
files, derived records with their derivations, versions, checksums. `labref bundle --check FILE`
derives every number from the raw readings again and compares.
"""

from __future__ import annotations

import hashlib
import json
import tempfile
import tomllib
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click
import numpy as np

import labref
from labref.cli.rederive import DERIVATION, derive
from labref.model.errors import InputError
from labref.model.times import RealClock, iso
from labref.plugins import Plugins, load_plugins
from labref.session.rederive import checksums, digest

METADATA = "ro-crate-metadata.json"
SUMS = "SHA256SUMS"
LONGEST_FILE = 1 << 40
_FIXED = (1980, 1, 1, 0, 0, 0)  # the same record gives the same members, whenever it is bundled


@dataclass(frozen=True, slots=True)
class Compared:
    """One record derived again: gates compared, largest difference in Hz, verdicts that differ."""

    name: str
    gates: int
    largest_hz: float
    verdicts: int

    @property
    def is_same(self) -> bool:
        """Whether every number and verdict came back."""
        return self.gates > 0 and not self.verdicts and self.largest_hz == 0.0


@click.command("bundle")
@click.argument("traces", nargs=-1, type=click.Path(exists=True, path_type=Path))
@click.option("-o", "--out", type=click.Path(dir_okay=False, path_type=Path), help="FILE.zip")
@click.option("--title", default="Absolute laser frequencies with verdicts", show_default=True)
@click.option("--author", "authors", multiple=True, help="May be given again.")
@click.option("--license", "licence", default="", help="URL of the data's licence.")
@click.option(
    "--check",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Verify a bundle: its checksums, and every number derived anew.",
)
def command(
    traces: tuple[Path, ...],
    out: Path | None,
    title: str,
    authors: tuple[str, ...],
    licence: str,
    check: Path | None,
) -> None:
    """Pack TRACES (folders, derived ones too) into one file for a data repository.

    Exit 0 packed, or everything came back; 1 something differs.
    """
    if check is not None:
        _check(check)
        return
    if not traces or out is None:
        raise click.UsageError("TRACES and -o FILE, or --check FILE")
    pack(traces, out, title, authors, licence)
    click.echo(f"{out}: a stranger runs: labref bundle --check {out.name}")


def pack(
    traces: Sequence[Path], out: Path, title: str, authors: Sequence[str], licence: str = ""
) -> None:
    """Write the bundle. Raises InputError where it is there already or a parent is missing."""
    if out.exists():
        raise InputError(f"{out}: is there already; choose another name")
    if len({path.name for path in traces}) != len(traces):
        raise InputError("two traces have the same name: rename a folder")
    known = {digest(checksums(path)) for path in traces}
    members: dict[str, Path] = {}
    for path in traces:
        made = _derivation(path)
        if made.get("blind_sha256"):
            raise InputError(f"{path}: is blinded, nobody can derive its numbers: unblind it first")
        parent = made.get("parent", {}).get("sha256")
        if parent is not None and parent not in known:
            raise InputError(f"{path}: its parent ({parent[:12]}...) must be in the bundle as well")
        files = [path] if path.is_file() else sorted(p for p in path.iterdir() if _belongs(p))
        members |= {f"{path.name}/{file.name}": file for file in files}
    sums = {name: _sum(path) for name, path in members.items()}
    texts = {f"{path.name}/lab.toml": _lab_text(path) for path in traces}
    texts = {name: text for name, text in texts.items() if name not in members}
    sums |= {name: hashlib.sha256(text.encode()).hexdigest() for name, text in texts.items()}
    texts[SUMS] = "".join(f"{value}  {name}\n" for name, value in sorted(sums.items()))
    texts[METADATA] = json.dumps(_crate(traces, sums, title, authors, licence), indent=2)
    fresh = out.with_name(out.name + ".new")
    with zipfile.ZipFile(fresh, "w", zipfile.ZIP_STORED) as archive:
        for name, file in members.items():
            with file.open("rb") as source, archive.open(_info(name), "w", force_zip64=True) as to:
                while part := source.read(1 << 20):
                    to.write(part)
        for name, text in texts.items():
            archive.writestr(_info(name), text)
    fresh.replace(out)


def check_bundle(file: Path, plugins: Plugins) -> tuple[list[str], list[Compared]]:
    """Return (members whose checksum is wrong, every record derived again). Raises InputError."""
    with tempfile.TemporaryDirectory() as folder, zipfile.ZipFile(file) as archive:
        root = Path(folder)
        for info in archive.infolist():
            target = (root / info.filename).resolve()
            if not target.is_relative_to(root.resolve()) or info.file_size > LONGEST_FILE:
                raise InputError(f"{file}: member {info.filename!r} does not belong into a bundle")
        archive.extractall(root)
        wrong = []
        for line in (root / SUMS).read_text("utf-8").splitlines():
            value, _, name = line.partition("  ")
            if not (root / name).is_file() or _sum(root / name) != value:
                wrong.append(name)
        if wrong:
            return wrong, []
        records = sorted(path for path in root.iterdir() if path.is_dir())
        by_digest = {digest(checksums(path)): path for path in records}
        return [], [_again(path, by_digest, root, plugins) for path in records]


def _again(path: Path, by_digest: dict[str, Path], root: Path, plugins: Plugins) -> Compared:
    """Derive one record from the raw readings: its own, or its parent's by its derivation."""
    from labref.trace.reader import open_trace

    made = _derivation(path)
    source, text, corrections = path, None, ""
    if made:
        source = by_digest[made["parent"]["sha256"]]
        text, corrections = (path / "lab.toml").read_text("utf-8"), made["corrections"]
    out = root / f".again-{path.name}"
    derive(source, text, corrections, out, plugins)
    gates, largest, verdicts = 0, 0.0, 0
    with open_trace(path) as old, open_trace(out) as new:
        for name in old.transitions:
            one, two = old.series(name), new.series(name)
            both = np.intersect1d(one.start_ns, two.start_ns, return_indices=True)
            a, b = both[1], both[2]
            assert one.state is not None
            assert two.state is not None
            gates += len(one)
            verdicts += int((one.state[a] != two.state[b]).sum()) + len(one) - len(a)
            off = np.abs(one.offset[a] - two.offset[b] + float(one.nominal - two.nominal))
            verdicts += int((np.isnan(one.offset[a]) != np.isnan(two.offset[b])).sum())
            largest = max(largest, float(np.nanmax(off, initial=0.0)))
    return Compared(path.name, gates, largest, verdicts)


def _check(file: Path) -> None:
    wrong, records = check_bundle(file, load_plugins())
    for name in wrong:
        click.echo(f"{name}: the checksum is wrong")
    for one in records:
        verdict = "every number came back" if one.is_same else "differs"
        click.echo(
            f"{one.name}: {one.gates} gates, largest difference {one.largest_hz:.3e} Hz, "
            f"{one.verdicts} verdicts differ: {verdict}"
        )
    if wrong or not all(one.is_same for one in records):
        raise click.exceptions.Exit(1)


def _crate(
    traces: Sequence[Path], sums: dict[str, str], title: str, authors: Sequence[str], licence: str
) -> dict[str, Any]:
    people = [{"@id": f"#person-{i}", "@type": "Person", "name": n} for i, n in enumerate(authors)]
    software = {
        "@id": "#labref", "@type": "SoftwareApplication", "name": "labref",
        "version": labref.__version__,
    }  # fmt: skip
    files = [
        {"@id": name, "@type": "File", "sha256": value, "encodingFormat": _format(name)}
        for name, value in sorted(sums.items())
    ]
    root: dict[str, Any] = {
        "@id": "./", "@type": "Dataset", "name": title,
        "datePublished": iso(RealClock().now_ns(), 0),
        "description": "Raw readings, lab files, derived frequencies and verdicts. "
        "`labref bundle --check` derives every number anew.",
        "hasPart": [{"@id": row["@id"]} for row in files],
        "author": [{"@id": row["@id"]} for row in people],
    }  # fmt: skip
    if licence:
        root["license"] = {"@id": licence}
    made = []
    for path in traces:
        derived = _derivation(path)
        if derived:
            made.append({
                "@id": f"#derivation-{path.name}", "@type": "CreateAction",
                "instrument": {"@id": "#labref"}, "endTime": derived["made"],
                "object": {"@id": f"{derived['parent']['name']}/"},
                "result": {"@id": f"{path.name}/"},
            })  # fmt: skip
    folders = [{"@id": f"{path.name}/", "@type": "Dataset", "name": path.name} for path in traces]
    about = {
        "@id": METADATA, "@type": "CreativeWork", "about": {"@id": "./"},
        "conformsTo": {"@id": "https://w3id.org/ro/crate/1.1"},
    }  # fmt: skip
    return {
        "@context": "https://w3id.org/ro/crate/1.1/context",
        "@graph": [about, root, software, *people, *folders, *files, *made],
    }


def _derivation(path: Path) -> dict[str, Any]:
    file = path / DERIVATION
    return json.loads(file.read_text("utf-8")) if path.is_dir() and file.exists() else {}


def _lab_text(path: Path) -> str:
    from labref.trace.reader import open_trace

    with open_trace(path) as trace:
        text = trace.lab_text
    tomllib.loads(text)
    return text


def _belongs(path: Path) -> bool:
    return path.suffix == ".h5" or path.name in (DERIVATION, "lab.toml")


def _format(name: str) -> str:
    kinds = {".h5": "application/x-hdf5", ".toml": "application/toml", ".json": "application/json"}
    return kinds.get(Path(name).suffix, "text/plain")


def _info(name: str) -> zipfile.ZipInfo:
    return zipfile.ZipInfo(name, _FIXED)


def _sum(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
