"""`labref stability`: deviations with bounds, noise types and gap reports."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
import msgspec
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from labref.characterise.readings import Reading, read_source
from labref.model.deviation import Deviation
from labref.model.errors import InputError
from labref.model.verdict import State
from labref.plugins import load_plugins
from labref.stability import present
from labref.stability.catalog import Catalogue
from labref.stability.gaps import POLICIES
from labref.stability.itu import ITU_MASKS
from labref.stability.masks import Mask, MaskVerdict, judge, load
from labref.stability.second_opinion import second_opinion
from labref.stability.series import Series
from labref.stability.taus import parse_taus

_PIPE_WIDTH = 120  # no terminal that could be too narrow


@click.command("stability")
@click.argument("sources", metavar="SOURCE...", nargs=-1, required=True, type=click.Path())
@click.option("--channel", help="Channel or transition of a trace.")
@click.option("--column", default=None, type=int, help="Column of a text file, counted from 1.")
@click.option("--rate", "rate_hz", type=float, help="Readings per second of a text file, Hz.")
@click.option("--times", is_flag=True, help="The first column holds times in s; holes are gaps.")
@click.option(
    "--data",
    type=click.Choice(["phase", "frequency", "offset"]),
    default="frequency",
    show_default=True,
    help="phase in s; fractional frequency, or with --nominal frequency in Hz; offset in Hz.",
)
@click.option("--nominal", help="Exact nominal frequency in Hz, as decimal text.")
@click.option(
    "--statistic",
    "statistics",
    default="oadev",
    show_default=True,
    help="Names separated by commas, or 'all'.",
)
@click.option(
    "--taus", default="octave", show_default=True, help="octave, decade, all, or seconds: 1,10,100."
)
@click.option("--gaps", type=click.Choice(list(POLICIES)), default="refuse", show_default=True)
@click.option("--confidence", type=float, default=0.683, show_default=True)
@click.option("--correct-bias", is_flag=True, help="Apply the published bias correction.")
@click.option("--mask", "masks", multiple=True, help="A mask by name, or a TOML file with points.")
@click.option("--second-opinion", "check", is_flag=True, help="Compute again with allantools.")
@click.option("--json", "form", flag_value="json", help="Print a list of results as JSON.")
@click.option("--table", "form", flag_value="table", default="table", help="Print a table.")
@click.option("--plot", type=click.Path(path_type=Path), help="Write a figure (extra 'plot').")
def command(sources: tuple[str, ...], form: str, plot: Path | None, **chosen: Any) -> None:
    """Deviations of readings in SOURCE: a trace, or a text file with one reading per line.

    Exit code 1 if a mask is not met, 3 if the record cannot tell.
    """
    catalogue = _catalogue()
    names = _names(chosen["statistics"], catalogue)
    wanted = [_mask(text) for text in chosen["masks"]]
    results: list[Deviation] = []
    verdicts: list[MaskVerdict] = []
    shown: list[dict[str, Any]] = []
    reading = Reading(
        channel=chosen["channel"],
        column=chosen["column"],
        rate_hz=chosen["rate_hz"],
        times=chosen["times"],
        data=chosen["data"],
        nominal=chosen["nominal"],
    )
    for source in sources:
        series = read_source(Path(source), reading)
        for name in names:
            result = _compute(catalogue, name, series, chosen)
            found = [judge(result, mask) for mask in wanted if mask.statistic == name]
            results.append(result)
            verdicts.extend(found)
            shown.append(_values(source, result, found, series, check=chosen["check"]))
    _complain_of_unused(wanted, verdicts)
    if form == "json":
        click.echo(msgspec.json.encode(shown).decode())
    else:
        _print(results, verdicts, shown)
    if plot is not None:
        from labref.stability import figure

        figure.save(plot, results, wanted)
    _exit(verdicts)


def _catalogue() -> Catalogue:
    """Built-in statistics and those that plugins register."""
    catalogue = Catalogue()
    for _, entries in load_plugins().ask("register_statistics"):
        catalogue = catalogue.with_statistics(dict(entries).items())
    return catalogue


def _names(text: str, catalogue: Catalogue) -> list[str]:
    if text.strip() == "all":
        return [name for name in catalogue if not name.endswith("_thinned")]
    names = [word.strip().lower() for word in text.split(",") if word.strip()]
    for name in names:
        catalogue[name]  # an unknown name is refused before anything is read
    return names


def _mask(text: str) -> Mask:
    return ITU_MASKS[text] if text in ITU_MASKS else _mask_file(text)


def _mask_file(text: str) -> Mask:
    path = Path(text)
    if not path.is_file():
        raise InputError(f"mask {text!r} is neither a file nor one of: {', '.join(ITU_MASKS)}")
    return load(path)


def _compute(catalogue: Catalogue, name: str, series: Series, chosen: dict[str, Any]) -> Deviation:
    return catalogue[name](
        series,
        taus=parse_taus(chosen["taus"]),
        gaps=chosen["gaps"],
        confidence=chosen["confidence"],
        correct_bias=chosen["correct_bias"],
    )


def _values(
    source: str, result: Deviation, found: list[MaskVerdict], series: Series, *, check: bool
) -> dict[str, Any]:
    values = {**present.as_values(result), "input": source}
    values["masks"] = [present.verdict_values(verdict) for verdict in found]
    if check:
        opinion = second_opinion(result, series)
        values["second_opinion"] = {
            "by": f"allantools {opinion.version}",
            "compared": opinion.compared,
            "largest_relative_difference": opinion.largest,
        }
    return values


def _complain_of_unused(masks: list[Mask], verdicts: list[MaskVerdict]) -> None:
    used = {verdict.mask.name for verdict in verdicts}
    for mask in masks:
        if mask.name not in used:
            raise InputError(
                f"mask {mask.name!r} is for {mask.statistic}; add --statistic {mask.statistic}"
            )


def _print(
    results: list[Deviation], verdicts: list[MaskVerdict], shown: list[dict[str, Any]]
) -> None:
    console = Console()
    if not console.is_terminal:
        console = Console(width=_PIPE_WIDTH)
    for result, values in zip(results, shown, strict=True):
        console.print(_table(result))
        lines = [
            str(result.gaps),
            f"{result.equation} ({result.source})",
            f"edf: {result.edf_source}; bias: {_bias_text(result)}",
            *(f"tau {gone.tau_s!r} s left out: {gone.reason}" for gone in result.omitted),
            *result.notes,
        ]
        if "second_opinion" in values:
            opinion = values["second_opinion"]
            lines.append(
                f"{opinion['by']}: largest relative difference "
                f"{opinion['largest_relative_difference']:.1e} at {opinion['compared']} taus"
            )
        for line in lines:
            console.print(f"  {line}", markup=False, highlight=False, soft_wrap=True)
    for verdict in verdicts:
        console.print(_verdict_table(verdict))


def _bias_text(result: Deviation) -> str:
    done = "applied" if result.bias.applied else "not applied"
    return (
        result.bias.table
        if result.bias.table.startswith("none")
        else (f"{done} ({result.bias.table})")
    )


def _table(result: Deviation) -> Table:
    title = f"{result.name}: {result.title}, bounds at {result.confidence!r}"
    table = Table(title=title, box=SIMPLE_HEAD, title_justify="left")
    unit = "" if result.unit == "1" else f" ({result.unit})"
    for heading in ("tau (s)", "m", f"deviation{unit}", "lower", "upper", "edf", "terms"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("noise", no_wrap=True)
    for k, tau in enumerate(result.tau_s.tolist()):
        table.add_row(
            repr(tau),
            str(result.m[k]),
            *(_number(column[k]) for column in (result.deviation, result.lower, result.upper)),
            f"{result.edf[k]:.1f}" if result.edf[k] == result.edf[k] else "–",
            str(result.count[k]),
            result.noise[k],
        )
    return table


def _number(value: float) -> str:
    return f"{value:.6e}" if value == value else "–"


def _verdict_table(verdict: MaskVerdict) -> Table:
    title = f"mask {verdict.mask.name} ({verdict.mask.source}): {verdict.overall.word}"
    table = Table(title=title, caption=verdict.note, box=SIMPLE_HEAD, title_justify="left")
    for heading in ("tau (s)", "limit", "limit / deviation"):
        table.add_column(heading, justify="right")
    table.add_column("verdict")
    for k, tau in enumerate(verdict.tau_s.tolist()):
        table.add_row(
            repr(tau), _number(verdict.limit[k]), _number(verdict.margin[k]), verdict.state[k].word
        )
    return table


def _exit(verdicts: list[MaskVerdict]) -> None:
    states = {verdict.overall for verdict in verdicts}
    if State.BAD in states:
        raise click.exceptions.Exit(1)
    if State.UNKNOWN in states:
        raise click.exceptions.Exit(3)
