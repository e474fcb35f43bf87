"""From a setup to the program that serves it."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from labref.drivers.base import InstrumentSetup, Program
from labref.drivers.blocks import BlockProgram
from labref.drivers.catalogue import Catalogue
from labref.drivers.custom import PREFIX, ObjectProgram
from labref.drivers.dialect import Dialect
from labref.drivers.exposures import ExposuresProgram
from labref.drivers.gated import GatedProgram
from labref.drivers.gnss import GnssProgram
from labref.drivers.poll import PollProgram
from labref.drivers.shared import SharedProgram
from labref.drivers.stream import StreamProgram
from labref.drivers.trace import TraceProgram
from labref.model.errors import InputError
from labref.model.times import Clock

ProgramFactory = Callable[[InstrumentSetup, Dialect, Clock], Program]

PROGRAMS: Mapping[str, ProgramFactory] = {
    "gated": GatedProgram,
    "poll": PollProgram,
    "stream": StreamProgram,
    "block": BlockProgram,
    "gnss": GnssProgram,
    "exposures": ExposuresProgram,
    "trace": TraceProgram,
    "shared": SharedProgram,
}


def program_of(
    setup: InstrumentSetup,
    clock: Clock,
    catalogue: Catalogue | None = None,
    extra: Mapping[str, ProgramFactory] | None = None,
) -> Program:
    """Return the program for ``setup``. Raises InputError naming the instrument."""
    if setup.dialect.startswith(PREFIX):
        return ObjectProgram(setup, clock)
    try:
        dialect = (catalogue or Catalogue()).get(setup.dialect)
        programs = {**PROGRAMS, **(extra or {})}
        if dialect.program not in programs:
            known = ", ".join(sorted(programs))
            raise InputError(f"dialect {dialect.name!r} names no program; programs: {known}")
        return programs[dialect.program](setup, dialect, clock)
    except InputError as error:
        prefix = "" if setup.name in str(error) else f"instrument {setup.name!r}: "
        raise InputError(f"{prefix}{error}") from None
