"""One instrument: a program, the lab file's channels, and what has been seen of it.

`opening`, `round` and `recover` are exchanges for whoever runs them (a reader thread, a
selector loop, an inline reader); `identify`, `fetch` and the rest block on a transport.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from labref.drivers.base import Fetched, InstrumentSetup, Program, Setting, readings_of
from labref.drivers.requests import Requests
from labref.drivers.scpi import Identity
from labref.model.errors import LinkError, RefusedError
from labref.model.readings import Readings
from labref.transport.blocking import Transport
from labref.transport.steps import Exchange

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Opening:
    """What an instrument said when it was connected."""

    identity: Identity | None
    settings: tuple[Setting, ...]
    errors: tuple[str, ...]

    @property
    def wrong(self) -> tuple[Setting, ...]:
        """Settings that differ from the lab file."""
        return tuple(setting for setting in self.settings if setting.agrees is False)


class Instrument:
    """Drives ``program``. An instrument that turns out to be another one is refused."""

    def __init__(
        self, setup: InstrumentSetup, program: Program, transport: Transport | None = None
    ) -> None:
        self.setup = setup
        self.program = program
        self.identity: Identity | None = None
        self.requests = Requests()
        self._transport = transport

    def read_back(self) -> dict[str, Setting | None]:
        """Every setting that the dialect reads back, as it was read last; None: not read yet."""
        watch = getattr(self.program, "watch", None)
        if watch is None:
            return {}
        return {name: watch.current.get(name) for name in watch.names}

    # exchanges ---------------------------------------------------------------------------

    def opening(self) -> Exchange[Opening]:
        """After connecting: drain, identify, read old errors, configure a sink, read back.

        Raises RefusedError when another instrument answers than before, or than the lab
        file's ``identity`` option says.
        """
        yield from self.program.settle()
        identity = yield from self.program.identify()
        self._check_identity(identity)
        errors = yield from self.program.read_errors()
        if self.program.is_sink:
            yield from self.program.configure()
        settings = yield from self.program.read_settings()
        yield from self.program.begin()
        return Opening(identity, tuple(settings), tuple(errors))

    def round(self) -> Exchange[Fetched]:
        """Bring one round of gates."""
        return (yield from self.program.fetch())

    def recover(self) -> Exchange[list[str]]:
        """After a time-out or nonsense: back into step; return what the error queue held."""
        yield from self.program.resync()
        errors = yield from self.program.read_errors()
        yield from self.program.begin()
        return errors

    def _check_identity(self, identity: Identity | None) -> None:
        if identity is None:
            return
        wanted = self.setup.options.get("identity")
        if wanted is not None and str(wanted).lower() not in identity.text.lower():
            raise RefusedError(
                f"{self.setup.name}: {identity.text!r} answers at {self.setup.address}, "
                f"but the lab file wants {str(wanted)!r}"
            )
        if self.identity is not None and not identity.is_same_device(self.identity):
            raise RefusedError(
                f"{self.setup.name}: {identity.text!r} answers where {self.identity.text!r} was; "
                "restart the session if the exchange was meant"
            )
        self.identity = identity

    # blocking ----------------------------------------------------------------------------

    def open(self) -> Opening:
        """Connect and do what `opening` says; LinkError, ReplyError or RefusedError."""
        transport = self._wire()
        transport.open()
        return self._perform(self.opening)

    def identify(self) -> Identity | None:
        """Connect if necessary and ask who is there."""
        transport = self._wire()
        if not transport.wire.is_open():
            transport.open()
        identity = self._perform(self.program.identify)
        self._check_identity(identity)
        return identity

    def configure(self) -> None:
        """Configure a sink; a source is left as it is."""
        if self.program.is_sink:
            self._perform(self.program.configure)

    def arm(self) -> None:
        """Prepare to fetch; what was gathered before is forgotten."""
        self._perform(self.program.begin)

    def fetch(self) -> list[Readings]:
        """Return the gates of one round, one block per channel."""
        fetched = self._perform(self.program.fetch)
        return [*fetched.blocks, *readings_of(fetched.rows, self.setup)]

    def settings(self) -> list[Setting]:
        """Read back the settings."""
        return self._perform(self.program.read_settings)

    def close(self) -> None:
        """Close the wire."""
        if self._transport is not None:
            self._transport.close()

    def _perform(self, exchange: Callable[[], Exchange[T]]) -> T:
        return self._wire().perform(exchange())

    def _wire(self) -> Transport:
        if self._transport is None:
            raise LinkError(f"{self.setup.name}: has no transport of its own")
        return self._transport
