"""``labref air``: frequency, vacuum wavelength and air wavelength, with the index of air."""

from __future__ import annotations

import json
from fractions import Fraction

import click

from labref.cli.exact_number import HZ, NM, plain
from labref.frequency.air import Wavelengths, frequency_of_air, frequency_of_vacuum, of_frequency
from labref.frequency.refractivity import Air, Formula
from labref.model.errors import InputError
from labref.model.exact import exact_text

_DIGITS_HZ, _DIGITS_NM = 3, 12


@click.command(name="air")
@click.option("--frequency", type=HZ, help="Frequency, Hz.")
@click.option("--vacuum", type=NM, help="Vacuum wavelength, nm.")
@click.option("--wavelength", type=NM, help="Wavelength in this air, nm.")
@click.option("--temperature", type=float, default=20.0, show_default=True, help="Celsius.")
@click.option("--pressure", type=float, default=101325.0, show_default=True, help="Pa.")
@click.option("--humidity", type=float, default=50.0, show_default=True, help="Relative, %.")
@click.option("--co2", type=float, default=450.0, show_default=True, help="ppm.")
@click.option("--u-temperature", type=float, default=0.0, help="One sigma, K.")
@click.option("--u-pressure", type=float, default=0.0, help="One sigma, Pa.")
@click.option("--u-humidity", type=float, default=0.0, help="One sigma, %.")
@click.option("--u-co2", type=float, default=0.0, help="One sigma, ppm.")
@click.option(
    "--formula",
    type=click.Choice([formula.value for formula in Formula]),
    default=Formula.CIDDOR.value,
    show_default=True,
    help="Ciddor 1996 or the modified Edlen equation.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(
    frequency: Fraction | None,
    vacuum: Fraction | None,
    wavelength: Fraction | None,
    formula: str,
    as_json: bool,
    **state: float,
) -> None:
    """Convert between frequency, vacuum wavelength and wavelength in air.

    Give exactly one of --frequency, --vacuum and --wavelength. To undo what a wavemeter displays in
    air, give the formula and the air that the instrument assumes, which is often fixed air and
    not that of the lab.
    """
    given = [value for value in (frequency, vacuum, wavelength) if value is not None]
    if len(given) != 1:
        raise click.UsageError("give exactly one of --frequency, --vacuum and --wavelength")
    try:
        air = _air(state)
        if wavelength is not None:
            answer = frequency_of_air(wavelength, air, Formula(formula))
        else:
            nu = frequency_of_vacuum(vacuum) if vacuum is not None else given[0]
            answer = of_frequency(nu, air, Formula(formula))
    except InputError as error:
        raise click.UsageError(str(error)) from error
    if as_json:
        click.echo(json.dumps(_json(answer, air, formula), indent=2))
    else:
        _show(answer, formula)


def _air(state: dict[str, float]) -> Air:
    return Air(
        state["temperature"],
        state["pressure"],
        state["humidity"] / 100,
        state["co2"],
        state["u_temperature"],
        state["u_pressure"],
        state["u_humidity"] / 100,
        state["u_co2"],
    )


def _json(answer: Wavelengths, air: Air, formula: str) -> dict[str, object]:
    return {
        "frequency_hz": exact_text(answer.frequency_hz, _DIGITS_HZ),
        "vacuum_nm": exact_text(answer.vacuum_nm, _DIGITS_NM),
        "air_nm": exact_text(answer.air_nm, _DIGITS_NM),
        "index": answer.index,
        "index_u": answer.index_u,
        "u_frequency_hz": answer.u_frequency_hz,
        "formula": formula,
        "air": {
            "temperature_c": air.temperature_c,
            "pressure_pa": air.pressure_pa,
            "humidity": air.humidity,
            "co2_ppm": air.co2_ppm,
        },
    }


def _show(answer: Wavelengths, formula: str) -> None:
    click.echo(f"frequency          {exact_text(answer.frequency_hz, _DIGITS_HZ)} Hz")
    click.echo(f"vacuum wavelength  {exact_text(answer.vacuum_nm, _DIGITS_NM)} nm")
    click.echo(f"air wavelength     {exact_text(answer.air_nm, _DIGITS_NM)} nm")
    click.echo(f"index ({formula})     {answer.index:.10f}, u {plain(round(answer.index_u, 12))}")
    click.echo(
        f"from the air wavelength: u {answer.u_frequency_hz / 1e6:.1f} MHz "
        f"(formula and declared air)"
    )
