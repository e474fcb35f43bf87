"""The lab while it is being understood: what is built so far, and what was wrong.

A name that is declared but whose own table is wrong is not built; whatever needs it is then
passed over in silence, because the cause has been reported where it stands.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from labref.config.complaints import Complaints
from labref.config.load import Document
from labref.config.locate import Path
from labref.config.nouns import LabTransition, Laser, Witness
from labref.frequency.equation import Equation
from labref.model.channel import Channel, Role
from labref.model.errors import InputError
from labref.model.integer import Integer
from labref.model.reference import Reference

if TYPE_CHECKING:
    from labref.config.teeth import Tooth


class NotBuilt(Exception):  # noqa: N818 - a signal between builders, never seen by a user
    """Something needed is missing or wrong, and that has been reported."""


@dataclass
class Draft:
    """Everything built so far, by name."""

    document: Document
    must_judge: bool = True
    references: dict[str, Reference] = field(default_factory=dict)
    channels: dict[str, Channel] = field(default_factory=dict)
    feeds: dict[str, tuple[str, int | str]] = field(default_factory=dict)
    f_reps: dict[str, Equation] = field(default_factory=dict)
    lasers: dict[str, Laser] = field(default_factory=dict)
    witnesses: dict[str, Witness] = field(default_factory=dict)
    transitions: dict[str, LabTransition] = field(default_factory=dict)
    integers: dict[str, Integer] = field(default_factory=dict)
    teeth: dict[str, Tooth] = field(default_factory=dict)
    edges: dict[str, frozenset[str]] = field(default_factory=dict)
    used: set[str] = field(default_factory=set)

    @property
    def complaints(self) -> Complaints:
        """Where problems and warnings go."""
        return self.document.complaints

    def fail(self, path: Path, what: str) -> NotBuilt:
        """Report a problem and return the signal to raise."""
        self.complaints.problem(path, what)
        return NotBuilt()

    def declared(self, table: str, name: str) -> bool:
        """Whether ``[table.NAME]`` exists in the file; if not, that has been reported."""
        self.used.add(f"{table}.{name}")
        return name in self.document.names(table)

    def find(self, table: str, name: str, built: Mapping[str, Any]) -> Any:
        """Return the built thing of that name; raises NotBuilt, its cause is reported."""
        if not self.declared(table, name) or name not in built:
            raise NotBuilt
        return built[name]

    def channel(self, name: str, path: Path) -> Channel:
        """Return the channel that a table at ``path`` names, for use in an equation."""
        channel: Channel = self.find("channels", name, self.channels)
        if channel.role is Role.ELIMINATED:
            raise self.fail(
                path, f'channel {name!r} has role "eliminated": it enters no equation (M10)'
            )
        if channel.unit != "Hz":
            raise self.fail(path, f"channel {name!r} is in {channel.unit}: Hz is needed here")
        return channel

    def assume(
        self,
        name: str,
        nominal: Fraction,
        *,
        reference: str | None = None,
        u: float = 0.0,
        rate_per_s: float = 0.0,
        kind: str = "assumed",
    ) -> Channel:
        """Return a typed-in value as an assumed channel, so that it carries reference and u."""
        if reference is not None:
            self.find("references", reference, self.references)
        channel = Channel(
            name,
            nominal,
            kind=kind,
            role=Role.SET,
            reference=reference,
            u=u,
            rate_per_s=rate_per_s,
            assumed=True,
        )
        self.channels[name] = channel
        self.rest(f"channels.{name}", *([f"references.{reference}"] if reference else []))
        return channel

    def rest(self, node: str, *below: str) -> None:
        """Note that ``node`` rests on ``below`` (added to what was known)."""
        self.edges[node] = self.edges.get(node, frozenset()) | frozenset(below)

    def refuse(self, path: Path, error: InputError) -> NotBuilt:
        """Report what the frequency core refused, at ``path``."""
        return self.fail(path, str(error))

    def integer(self, record: Integer) -> str:
        """Keep an integer's record and return its name."""
        self.integers[record.name] = replace(record)
        return record.name
