"""What a section is made of: plain values that `labref.report.page` turns into HTML.

Texts are text, never markup: everything is escaped, so that neither a lab file nor a plugin can
break the page.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Paragraph:
    """A paragraph; ``kind`` is plain, note or warning."""

    text: str
    kind: str = "plain"


@dataclass(frozen=True)
class Heading:
    """A heading inside a section."""

    text: str


@dataclass(frozen=True)
class Items:
    """A list of short statements; ``ordered`` numbers them."""

    texts: Sequence[str]
    ordered: bool = False


@dataclass(frozen=True)
class Table:
    """Rows under ``head``; columns whose heading is in ``numeric`` are aligned to the right."""

    head: Sequence[str]
    rows: Sequence[Sequence[str]]
    caption: str = ""
    numeric: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Figure:
    """A vector figure: ``svg`` made by `labref.report.svg` (which holds the long description)."""

    svg: str
    alt: str
    caption: str


@dataclass(frozen=True)
class Verbatim:
    """Text as it stands, such as a lab file."""

    text: str


Block = Paragraph | Heading | Items | Table | Figure | Verbatim


@dataclass(frozen=True)
class Section:
    """A titled part of the report."""

    title: str
    blocks: Sequence[Block] = field(default_factory=tuple)
