"""What it was measured with: counters and their weighting, versions, lab file, checksums."""

from __future__ import annotations

import hashlib
from pathlib import Path

from labref.model.exact import exact_text
from labref.report.blocks import Paragraph, Section, Table, Verbatim
from labref.report.record import Record, files_of
from labref.trace.layout import ChannelColumn, TransitionColumn

_PIECE = 1 << 20


def counters(record: Record) -> Section:
    """Return how every channel was read."""
    feeds = {} if record.lab is None else record.lab.feeds
    rows = []
    for name in record.trace.channels:
        column = record.trace.column(name)
        facts = column.attributes
        feed = feeds.get(name)
        dead = int(facts.get("dead_time_ns", 0)) / 1e9
        rows.append(
            (
                name,
                str(facts.get("kind", "")),
                f"{exact_text(column.nominal)} {column.unit}".removesuffix(" 1"),
                f"{feed[0]}, {feed[1]}" if feed else "log",
                _gate_text(column),
                "none" if not dead else f"{dead:.6f} s",
                str(facts.get("weighting", "unknown")),
                str(facts.get("loop", "unknown")),
                str(facts.get("reference", "its own")),
            )
        )
    head = (
        "channel", "kind", "nominal", "read by", "gate", "dead time", "weighting", "loop",
        "reference",
    )  # fmt: skip
    return Section("Counters and their weighting", (Table(head, tuple(rows)),))


def _gate_text(column: ChannelColumn | TransitionColumn) -> str:
    """The counter's gate, and how many of them a row of the trace is the mean of."""
    if column.mean_of == 1:
        return _seconds(column.gate_ns)
    gate_ns = int(column.attributes.get("averaged_gate_ns", column.gate_ns))
    return f"{_seconds(gate_ns)}, kept as means of {column.mean_of}"


def _seconds(time_ns: int) -> str:
    return f"{time_ns / 1e9:.9f}".rstrip("0").rstrip(".") + " s"


def software(record: Record, versions: dict[str, str]) -> Section:
    """Return the versions that recorded and those that made this page."""
    layout = record.trace.layout.versions
    names = sorted({*layout, *versions})
    rows = tuple((name, layout.get(name, "–"), versions.get(name, "–")) for name in names)
    return Section("Software", (Table(("package", "when recorded", "of this report"), rows),))


def lab_file(record: Record) -> Section:
    """Return the lab file as it was kept with the trace."""
    text = record.trace.lab_text
    digest = hashlib.sha256(text.encode()).hexdigest()
    return Section("Lab file", (Paragraph(f"SHA-256 {digest}", "note"), Verbatim(text)))


def checksums(record: Record) -> Section:
    """Return the SHA-256 of every file of the trace."""
    rows = []
    live = False
    for path in files_of(record.trace.path):
        live = live or path.name.endswith(".live.h5")
        rows.append((path.name, str(path.stat().st_size), sha256_of(path)))
    blocks = [Table(("file", "bytes", "SHA-256"), tuple(rows), "", frozenset(("bytes",)))]
    if live:
        said = "A live file is still being written: its checksum is that of this moment."
        return Section("Checksums of the traces", (*blocks, Paragraph(said, "warning")))
    return Section("Checksums of the traces", tuple(blocks))


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file as hexadecimal text."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(_PIECE):
            digest.update(piece)
    return digest.hexdigest()
