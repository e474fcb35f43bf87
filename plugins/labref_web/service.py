"""The service: a thread with an event loop of its own beside the session's threads.

Entry point ``web`` of the group ``labref.services``; see `labref.cli.serving`.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import threading
from types import TracebackType
from typing import Any

import uvicorn

from labref.model.errors import InputError
from labref.session.enquiries import Enquiries
from labref_web.app import application
from labref_web.connections import LONGEST_HEADER, Connections
from labref_web.desk import Desk
from labref_web.ears import Ears
from labref_web.table import Terms, terms_of

LONGEST_START_S = 10.0
GOODBYE_S = 0.5
LONGEST_STOP_S = 10.0
IDLE_S = 30
BACKLOG = 256


class Service(Ears):
    """A context manager; entering gives the address in words. Its hooks are those of `Ears`."""

    def __init__(self, enquiries: Enquiries, terms: Terms) -> None:
        super().__init__()
        self.terms = terms
        self._enquiries = enquiries
        self._ready = threading.Event()
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._server: uvicorn.Server | None = None
        self._problem: BaseException | None = None
        self.desk: Desk | None = None

    def __enter__(self) -> str:
        self._listener = _listener(self.terms)
        self._thread = threading.Thread(target=self._run, name="labref web", daemon=True)
        self._thread.start()
        if not self._ready.wait(LONGEST_START_S) or self._problem is not None:
            raise InputError(f"the service did not start: {self._problem or 'it takes too long'}")
        return self.url

    @property
    def url(self) -> str:
        """Where the page is."""
        host, port = self._listener.getsockname()[:2]
        return f"http://{f'[{host}]' if ':' in host else host}:{port}/"

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._loop is not None and self._thread is not None:
            with contextlib.suppress(RuntimeError):  # it has ended by itself
                self._loop.call_soon_threadsafe(self._end)
            self._thread.join(LONGEST_STOP_S)
        self._listener.close()

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except BaseException as error:  # noqa: BLE001 - told where the service was started
            self._problem = error
        finally:
            self._ready.set()

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._connections = Connections()
        house = self._connections
        self.desk = Desk(self._enquiries, self.terms, self, house.cut, house.find)
        self.desk.tick()
        self._server = uvicorn.Server(_config(application(self.desk), self._connections))
        ticking = asyncio.create_task(self._tick())
        self._ready.set()
        try:
            await self._server.serve(sockets=[self._listener])
        finally:
            ticking.cancel()
            self.desk.close()

    async def _tick(self) -> None:
        """Tick for ever; a tick that fails is told, and the next one tried."""
        assert self.desk is not None
        while True:
            try:
                await self.desk.run()
            except Exception as error:  # noqa: BLE001 - the service outlives one tick
                self.desk.note(f"the service failed: {error!r}")
                await asyncio.sleep(1.0)

    def _end(self) -> None:
        """Say good-bye to every reader, then cut what is still open."""
        assert self._server is not None
        assert self.desk is not None
        assert self._loop is not None
        if self.stopped:
            self.desk.tick()
            self.desk.note(f"the session ends: {self.stopped}")
        self.desk.close()
        self._server.should_exit = True
        self._loop.call_later(GOODBYE_S, self._connections.cut_all)


def web_service(enquiries: Enquiries, at: str | None) -> Service:
    """The service for a session, by its lab file's ``[web]``. Raises InputError."""
    return Service(enquiries, terms_of(enquiries.lab, at))


def _config(app: Any, connections: Connections) -> uvicorn.Config:
    return uvicorn.Config(
        app,
        http=connections.protocol(),
        loop="asyncio",
        ws="none",
        lifespan="off",
        interface="asgi3",
        log_config=None,
        log_level="critical",  # what peers send wrong is theirs to know; failures are logged by us
        access_log=False,
        server_header=False,
        date_header=False,
        proxy_headers=False,
        timeout_keep_alive=IDLE_S,
        timeout_graceful_shutdown=2,
        h11_max_incomplete_event_size=LONGEST_HEADER,
        backlog=BACKLOG,
    )


def _listener(terms: Terms) -> socket.socket:
    """A listening socket, so that an address in use is said at once."""
    try:
        family, _, _, _, address = socket.getaddrinfo(
            terms.host, terms.port, type=socket.SOCK_STREAM
        )[0]
        # Said to be TCP: asyncio switches Nagle's delay off (44 ms a request) only where it is.
        listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(address)
        listener.listen(BACKLOG)
    except OSError as error:
        where = f"{terms.host}:{terms.port}"
        raise InputError(f"[web]: cannot listen at {where}: {error}; --serve-at chooses") from None
    return listener
