"""`labref new-lab`: a few questions become a commented lab file that passes `labref check`."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

import click

from labref.config.lab import parse_lab
from labref.config.newlab import Answers, CombAnswers, LaserAnswers, lab_text
from labref.model.errors import InputError
from labref.model.exact import exact

# key: (what is asked, default or None where an answer is needed)
QUESTIONS: dict[str, tuple[str, str | None]] = {
    "line": ("published line, as `labref transitions` names it", None),
    "seen": ("what the wavemeter shows at the tap, in Hz", None),
    "beat": ("its beat with the comb, in Hz", None),
    "input": ("counter input of the beat", "3"),
    "wavemeter": ("wavemeter input", "1"),
    "times": ("harmonic between tap and atoms (2: a doubler)", "1"),
    "aom": ("drive of the AOM between tap and atoms in Hz, 0 for none", "0"),
    "order": ("its order, such as 1 or -1", "1"),
    "passes": ("passes through it", "1"),
    "tolerance": ("tolerance at the atoms in Hz", "1e6"),
    "u": ("standard uncertainty of the line in Hz, empty: as published", ""),
}


@click.command("new-lab")
@click.option("--out", default="lab.toml", show_default=True, type=click.Path(path_type=Path))
@click.option("--title", default="", help="Name of the laboratory.")
@click.option("--reference", default="reference", show_default=True, help="Name of the reference.")
@click.option("--reference-u", help="Its fractional uncertainty, such as 1e-12.")
@click.option("--counter", help="Address of the counter.")
@click.option("--counter-name", default="counter", show_default=True)
@click.option("--counter-dialect", default="scpi-counter", show_default=True)
@click.option("--wavemeter", help="Address of the wavemeter.")
@click.option("--wavemeter-name", default="wavemeter", show_default=True)
@click.option("--wavemeter-dialect", default="ascii-wavemeter-switch", show_default=True)
@click.option("--wavemeter-u", help="Its standard uncertainty in Hz.")
@click.option("--f-rep", help="Counted f_rep line in Hz.")
@click.option("--harmonic", default=1, show_default=True, help="Harmonic of f_rep counted.")
@click.option("--lo", default="0", show_default=True, help="LO in front of that counter, Hz.")
@click.option("--lo-above", is_flag=True, help="The LO lies above the harmonic.")
@click.option("--f-ceo", help="Counted f_ceo in Hz.")
@click.option("--f-ceo-sign", type=click.Choice(["+", "-"]), default="+", show_default=True)
@click.option(
    "--laser",
    "lasers",
    multiple=True,
    metavar="NAME:KEY=VALUE,...",
    help=f"A laser; keys: {', '.join(QUESTIONS)}. What is left out has a default or is asked.",
)
def command(out: Path, title: str, lasers: tuple[str, ...], **given: Any) -> None:
    """Write a commented lab file for one comb, one counter, one wavemeter and some lasers.

    What is not given as an option is asked. The file is checked before it is written; an older
    file is never overwritten.

    Exit 0 written, 2 it would not pass, 3 the wavemeter leaves more than one comb tooth.
    """
    if out.exists():
        raise InputError(f"{out} is there already: choose another --out")
    name = title or click.prompt("Name of the laboratory", default="My laboratory")
    comb = CombAnswers(
        _number(given["f_rep"], "counted f_rep line in Hz"),
        _number(given["f_ceo"], "counted f_ceo in Hz"),
        int(given["harmonic"]),
        exact(given["lo"]),
        bool(given["lo_above"]),
        f_ceo_sign=str(given["f_ceo_sign"]),
    )
    answers = Answers(
        name,
        given["reference"],
        str(given["reference_u"] or click.prompt("fractional uncertainty of the reference")),
        (_text(given["counter"], "address of the counter"), given["counter_dialect"]),
        (_text(given["wavemeter"], "address of the wavemeter"), given["wavemeter_dialect"]),
        _number(given["wavemeter_u"], "standard uncertainty of the wavemeter in Hz"),
        comb,
        [_laser(text) for text in lasers] or _asked_lasers(),
        given["counter_name"],
        given["wavemeter_name"],
    )
    text = lab_text(answers)
    lab = parse_lab(text, str(out))
    out.write_text(text, "utf-8")
    click.echo(f"{out}: {len(lab.lasers)} lasers; it passes `labref check {out}`")
    click.echo(f"next: labref commission {out} {answers.lasers[0].name}")


def _asked_lasers() -> list[LaserAnswers]:
    found: list[LaserAnswers] = []
    while not found or click.confirm("another laser?", default=False):
        found.append(_laser(click.prompt("name of the laser")))
    return found


def _laser(text: str) -> LaserAnswers:
    """``NAME:KEY=VALUE,...``; keys without default that are missing are asked."""
    name, _, rest = text.partition(":")
    given: dict[str, str] = {}
    for part in filter(None, (piece.strip() for piece in rest.split(","))):
        key, equals, value = part.partition("=")
        if not equals or key.strip() not in QUESTIONS:
            raise InputError(f"--laser {text!r}: keys are {', '.join(QUESTIONS)}")
        given[key.strip()] = value.strip()
    if not rest:
        given = {
            key: str(click.prompt(f"{name}: {what}", default=default))
            for key, (what, default) in QUESTIONS.items()
        }
    for key, (what, default) in QUESTIONS.items():
        if key not in given:
            given[key] = default if default is not None else click.prompt(f"{name}: {what}")
    return _answers(name.strip(), given)


def _answers(name: str, given: Mapping[str, str]) -> LaserAnswers:
    return LaserAnswers(
        name,
        given["line"],
        exact(given["seen"]),
        exact(given["beat"]),
        int(given["input"]),
        int(given["wavemeter"]),
        int(given["times"]),
        exact(given["aom"]),
        int(given["order"]),
        int(given["passes"]),
        exact(given["tolerance"]),
        exact(given["u"]) if given["u"] else None,
    )


def _number(value: str | None, what: str) -> Fraction:
    return exact(value if value is not None else str(click.prompt(what)))


def _text(value: str | None, what: str) -> str:
    return value if value is not None else str(click.prompt(what))
