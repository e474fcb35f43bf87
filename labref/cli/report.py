"""`labref report`: one self-contained page about traces."""

from __future__ import annotations

import platform
from importlib.metadata import version
from pathlib import Path

import click

from labref.model.errors import InputError


@click.command("report")
@click.argument(
    "traces",
    metavar="TRACE...",
    nargs=-1,
    required=True,
    type=click.Path(exists=True, path_type=Path),
)
@click.option(
    "-o",
    "--out",
    required=True,
    type=click.Path(dir_okay=False, path_type=Path),
    help="The HTML file; an older one of that name is replaced.",
)
@click.option("--mask", "masks", multiple=True, help="A mask by name, or a TOML file with points.")
@click.option("--quiet", is_flag=True, help="No progress.")
def command(traces: tuple[Path, ...], out: Path, masks: tuple[str, ...], quiet: bool) -> None:
    """Write one page about TRACE (files or folders): chain, budgets, noise, alarms, checksums.

    The page needs nothing else: no script, no network. The same traces and the same software
    give the same bytes.
    """
    import numpy as np

    import labref
    from labref.characterise.masks import mask_named
    from labref.cli.labs import plugin_lines
    from labref.config.lab import Lab, parse_lab
    from labref.plugins import load_plugins
    from labref.report.make import Choice, make, sections_of

    plugins = load_plugins()
    tables, lines = plugins.tables(), plugin_lines(plugins)

    def parse(text: str) -> Lab:
        return parse_lab(text, "the stored lab file", tables, lines)

    def told(text: str) -> None:
        if not quiet:
            click.echo(text, err=True)

    versions = (
        ("labref", labref.__version__),
        ("numpy", np.__version__),
        ("python", platform.python_version()),
        ("scipy", version("scipy")),
    )
    extra = sections_of(plugins.ask("register_report_sections"))
    choice = Choice(tuple(mask_named(name) for name in masks), extra, versions)
    page = make(traces, parse, choice, told)
    try:
        out.write_text(page, encoding="utf-8")
    except OSError as error:
        raise InputError(f"{out}: cannot be written: {error.strerror}") from None
    click.echo(f"{out}: {len(page.encode())} bytes")
