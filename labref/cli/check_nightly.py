"""What a lab file asks for every night: its plans can be read and name things of this lab."""

from __future__ import annotations

from labref.config.lab import Lab
from labref.config.locate import Locator
from labref.model.errors import InputError, LabFileError, Problem


def check_nightly(lab: Lab) -> None:
    """Raise LabFileError with every schedule whose plan does not fit."""
    if not lab.nightly:
        return
    from labref.characterise.night import plan_of

    locator = Locator(lab.text)
    problems = []
    for name, schedule in lab.nightly.items():
        path = ("nightly", name, "plan")
        try:
            plan_of(lab, schedule)
        except InputError as error:
            problems.append(Problem(locator.line(path), ".".join(path), str(error)))
    if problems:
        raise LabFileError(lab.file, problems)


def nightly_lines(lab: Lab) -> list[str]:
    """What runs every night, in words."""
    return [
        f"nightly {name}: ends at {table.at} {table.zone}, "
        f"{f'plan {table.plan}' if table.plan else 'the figures of each transition'}, compared "
        f"with the {table.compare_nights} nights before, into {table.results}/{name} of the trace"
        for name, table in lab.nightly.items()
    ]
