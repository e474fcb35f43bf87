"""The life of one instrument on its wire, as one endless exchange.

    connect ──> opening ──> rounds ──> rounds ──> ...
       ^           │           │
       │           │        time-out or nonsense: drain, back into step, go on
       │           v           v
       └── rest ── close <── link lost, or out of step

Nothing is believed until the instrument has been identified and its settings read back; a
different instrument is refused until it is gone. Rests grow up to a bound, with jitter.
"""

from __future__ import annotations

from typing import Protocol

from labref.drivers.base import Fetched
from labref.drivers.instrument import Instrument, Opening
from labref.model.errors import LinkError, RefusedError, ReplyError
from labref.transport.reconnect import Backoff
from labref.transport.steps import Close, Exchange, Open, Pause, Rest, SilenceError


class Witness(Protocol):
    """Who is told what happens on the wire."""

    def opened(self, opening: Opening) -> None:
        """The instrument is there and has been read back."""
        ...

    def fetched(self, fetched: Fetched) -> None:
        """A round has come."""
        ...

    def failed(self, kind: str, text: str, errors: tuple[str, ...] = ()) -> None:
        """Nothing can be believed from here on, until `opened` or `recovered`."""
        ...

    def recovered(self, errors: tuple[str, ...]) -> None:
        """Back into step without a new connection."""
        ...


def life(instrument: Instrument, witness: Witness, backoff: Backoff) -> Exchange[None]:
    """Live until closed from outside."""
    while True:
        try:
            yield Open()
            witness.opened((yield from instrument.opening()))
            yield from _rounds(instrument, witness, backoff)
        except LinkError as error:
            witness.failed("link", str(error))
        except RefusedError as error:
            witness.failed("identity", str(error))
        except ReplyError as error:
            witness.failed("reply", str(error))
        except Exception as error:  # noqa: BLE001  # a driver's own mistake costs its instrument only
            witness.failed("driver", f"{type(error).__name__}: {error}")
        instrument.requests.fail_all(f"{instrument.setup.name}: the link is down")
        yield Close()
        yield Rest(backoff.next_s())


def _rounds(instrument: Instrument, witness: Witness, backoff: Backoff) -> Exchange[None]:
    """Fetch round after round; after a time-out or nonsense, get back into step."""
    while True:
        try:
            yield from instrument.requests.serve()
            fetched = yield from instrument.round()
        except SilenceError as error:
            witness.failed("link", str(error))
        except ReplyError as error:
            witness.failed("reply", str(error))
        else:
            backoff.reset()
            witness.fetched(fetched)
            continue
        yield Pause(backoff.next_s())  # nonsense that repeats must not be asked for at full speed
        errors = yield from instrument.recover()
        witness.recovered(tuple(errors))
