"""What a lab file says wrongly of its instruments: dialects, options, inputs, found without a wire.

`labref.config` knows no drivers; so the dialects judge here what belongs to them.
"""

from __future__ import annotations

from labref.config.lab import Lab
from labref.config.locate import Locator
from labref.drivers.base import InstrumentSetup
from labref.drivers.programs import program_of
from labref.model.errors import InputError, LabFileError, Problem
from labref.model.times import VirtualClock
from labref.plugins import Plugins
from labref.session.instruments import catalogue_of, setups


def check_instruments(lab: Lab, plugins: Plugins) -> None:
    """Raise LabFileError with every instrument whose dialect, options or inputs do not fit.

    Instruments that no channel uses are checked as far as their options go. No wire is opened;
    a foreign Python driver is not imported.
    """
    catalogue, clock = catalogue_of(lab, plugins), VirtualClock()
    locator = Locator(lab.text)
    problems = []
    for setup in setups(lab):
        try:
            program_of(setup, clock, catalogue)
        except InputError as error:
            problems.append(_problem(setup, str(error), locator))
    if problems:
        raise LabFileError(lab.file, problems)


def _problem(setup: InstrumentSetup, text: str, locator: Locator) -> Problem:
    """The complaint at the option that it names, else at the instrument."""
    path: tuple[str, ...] = ("instruments", setup.name)
    named = [option for option in setup.options if repr(option) in text]
    if named:
        path = (*path, "options", named[0])
    elif repr(setup.dialect) in text and "no option" not in text and "needs" not in text:
        path = (*path, "dialect")
    what = text.removeprefix(f"instrument {setup.name!r}: ")
    return Problem(locator.line(path), ".".join(path), what)
