"""Services beside a run: found by entry point, attached from outside, ended with it.

An entry point of the group ``labref.services`` names a callable ``(enquiries, at)`` that returns
a context manager; entering it starts the service and gives its address in words. ``at`` is an
address and port ("127.0.0.1:8729") or None for the service's own choice. Hooks that it implements
are registered before the session starts.
"""

from __future__ import annotations

import importlib.metadata
from collections.abc import Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext
from dataclasses import dataclass

import click

from labref.model.errors import InputError
from labref.plugins import Plugins
from labref.session.enquiries import Enquiries

GROUP = "labref.services"


@dataclass(frozen=True, slots=True)
class Serving:
    """Whether to serve, and where (None: where the service chooses)."""

    wanted: bool = False
    at: str | None = None

    def beside(self, enquiries: Enquiries, plugins: Plugins) -> AbstractContextManager[None]:
        """The services while a session runs; nothing where none is wanted."""
        return services(enquiries, plugins, self.at) if self.wanted else nullcontext()


NOT_SERVING = Serving()


@contextmanager
def services(enquiries: Enquiries, plugins: Plugins, at: str | None) -> Iterator[None]:
    """Run every installed service. Raises InputError where there is none, or one cannot start."""
    points = importlib.metadata.entry_points(group=GROUP)
    if not points:
        raise InputError("no service is installed: there is nothing to serve with")
    with ExitStack() as stack:
        for point in points:
            try:
                service = point.load()(enquiries, at)
            except ImportError as error:
                hint = f"a package of the extra {point.name!r} is missing: {error}"
                raise InputError(f"service {point.name!r}: {hint}") from error
            plugins.manager.register(service, f"service {point.name}")
            click.echo(f"service {point.name}: {stack.enter_context(service)}", err=True)
        yield


def serve_options(function: click.decorators.FC) -> click.decorators.FC:
    """Add ``--serve`` and ``--serve-at`` to a command."""
    at = click.option(
        "--serve-at",
        metavar="ADDRESS:PORT",
        help="Serve there; any address but this computer's own needs a token (see README).",
    )
    plain = click.option(
        "--serve", is_flag=True, help="Answer over HTTP, with a page, on 127.0.0.1:8729."
    )
    return plain(at(function))
