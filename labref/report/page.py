"""From sections to one HTML file that needs nothing else: no script, no link, no clock."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from functools import cache
from html import escape
from importlib.resources import files

from labref.report.blocks import (
    Block,
    Figure,
    Heading,
    Items,
    Paragraph,
    Section,
    Table,
    Verbatim,
)

# A cell so short is not broken; in longer ones neither a number with a sign nor a time is.
_SHORT = 24
_BREAKABLE = re.compile(r"[-+]?\d[\d.:TZ()e+-]*-[\d.:TZ()e+-]*|^[^ ]{1,18} [^ ]{1,3}$")
# Rows of a table that is kept on one page.
_WHOLE = 14
_KINDS = ("plain", "note", "warning")


def render(title: str, subtitle: str, sections: Sequence[Section]) -> str:
    """Return the page; the same arguments give the same text."""
    names = [f"s{number}" for number in range(1, len(sections) + 1)]
    contents = "\n".join(
        f'<li><a href="#{name}">{_text(section.title)}</a></li>'
        for name, section in zip(names, sections, strict=True)
    )
    body = "\n".join(_section(name, section) for name, section in zip(names, sections, strict=True))
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{_text(title)}</title>\n<style>\n{_style()}</style>\n</head>\n<body>\n"
        f"<h1>{_text(title)}</h1>\n<p>{_text(subtitle)}</p>\n"
        f'<nav aria-label="contents">\n<ol>\n{contents}\n</ol>\n</nav>\n{body}\n</body>\n</html>\n'
    )


@cache
def _style() -> str:
    return files("labref.report").joinpath("style.css").read_text("utf-8")


def _text(text: str) -> str:
    return escape(text, quote=True)


def _cell(text: str) -> str:
    """A cell's text; short ones and numbers with their uncertainty are not broken at a hyphen."""
    if len(text) <= _SHORT:
        return f"<span>{_text(text)}</span>" if _BREAKABLE.search(text) else _text(text)
    parts = _BREAKABLE.split(text)
    kept = _BREAKABLE.findall(text)
    marked = [f"{_text(a)}<span>{_text(b)}</span>" for a, b in zip(parts, kept, strict=False)]
    return "".join(marked) + _text(parts[-1])


def _section(name: str, section: Section) -> str:
    parts = "\n".join(_block(block) for block in section.blocks)
    return f'<section>\n<h2 id="{name}">{_text(section.title)}</h2>\n{parts}\n</section>'


def _block(block: Block) -> str:
    if isinstance(block, Paragraph):
        kind = block.kind if block.kind in _KINDS else "plain"
        return f'<p class="{kind}">{_text(block.text)}</p>'
    if isinstance(block, Heading):
        return f"<h3>{_text(block.text)}</h3>"
    if isinstance(block, Items):
        tag = "ol" if block.ordered else "ul"
        items = "".join(f"<li>{_text(text)}</li>" for text in block.texts)
        return f"<{tag}>{items}</{tag}>"
    if isinstance(block, Table):
        return "\n".join(_table(block))
    if isinstance(block, Figure):
        return f"<figure>{block.svg}\n<figcaption>{_text(block.caption)}</figcaption></figure>"
    if isinstance(block, Verbatim):
        return f"<pre>{_text(block.text)}</pre>"
    raise TypeError(f"a section holds blocks of labref.report.blocks, not {type(block).__name__}")


def _table(table: Table) -> Iterator[str]:
    marks = [' class="n"' if head in table.numeric else "" for head in table.head]
    yield '<table class="whole">' if len(table.rows) <= _WHOLE else "<table>"
    if table.caption:
        yield f"<caption>{_text(table.caption)}</caption>"
    heads = "".join(
        f'<th scope="col"{mark}>{_text(head)}</th>'
        for mark, head in zip(marks, table.head, strict=True)
    )
    yield f"<thead><tr>{heads}</tr></thead>\n<tbody>" if any(table.head) else "<tbody>"
    for row in table.rows:
        cells = "".join(
            f"<td{mark}>{_text(cell) if mark else _cell(cell)}</td>"
            for mark, cell in zip(marks, row, strict=True)
        )
        yield f"<tr>{cells}</tr>"
    yield "</tbody></table>"
