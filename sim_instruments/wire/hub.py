"""One selector loop that serves all instruments.

Each round: bytes that arrived are fed to their lines, lines whose instant has come are
polled, what may leave is sent. The timetable (faults of the wire, once-a-second chores) is a
sorted list of instants and actions.
"""

import heapq
import selectors
from collections.abc import Callable

from sim_instruments.clock import Clock
from sim_instruments.wire.endpoint import Connection, Endpoint

LONGEST_WAIT_S = 0.5


class Hub:
    """Serves endpoints until told to stop; no threads."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._selector = selectors.DefaultSelector()
        self._endpoints: list[Endpoint] = []
        self._watched: dict[int, tuple[Endpoint, Connection | None]] = {}
        self._timetable: list[tuple[int, int, Callable[[int], None]]] = []
        self._stopping = False
        self._entries = 0

    def add(self, endpoint: Endpoint) -> None:
        """Serve an endpoint."""
        self._endpoints.append(endpoint)
        self.refresh()

    def watch_input(self, fd: int, on_ready: Callable[[], None]) -> None:
        """Call ``on_ready`` when a foreign descriptor is readable (standard input)."""
        self._selector.register(fd, selectors.EVENT_READ, on_ready)

    def at(self, instant_ns: int, action: Callable[[int], None]) -> None:
        """Run an action at an instant; it is given the present one."""
        self._entries += 1
        heapq.heappush(self._timetable, (instant_ns, self._entries, action))

    def stop(self) -> None:
        """Leave `run` at the end of this round."""
        self._stopping = True

    def run(self) -> None:
        """Serve until `stop`, then close everything."""
        try:
            while not self._stopping:
                self.round()
        finally:
            self.close()

    def round(self) -> None:
        """Wait for the next thing to do, and do it."""
        for key, events in self._selector.select(self._wait_s()):
            if key.fd in self._watched:
                self._serve(key.fd, events)
            else:
                key.data()
        now_ns = self._clock.now_ns()
        changed = False
        while self._timetable and self._timetable[0][0] <= now_ns:
            heapq.heappop(self._timetable)[2](now_ns)
            changed = True
        if changed:
            self.refresh()
        self._poll_due()

    def refresh(self) -> None:
        """Watch exactly the descriptors that the endpoints have open now."""
        wanted: dict[int, tuple[Endpoint, Connection | None]] = {}
        for endpoint in self._endpoints:
            if endpoint.listener is not None:
                wanted[endpoint.listener.fileno()] = (endpoint, None)
            for connection in endpoint.connections:
                wanted[connection.fd] = (endpoint, connection)
        for fd in [fd for fd in self._watched if self._watched[fd] != wanted.get(fd)]:
            self._unwatch(fd)
        for fd, pair in wanted.items():
            if fd not in self._watched:
                self._selector.register(fd, selectors.EVENT_READ)
                self._watched[fd] = pair

    def close(self) -> None:
        """Close all endpoints and the selector."""
        for endpoint in self._endpoints:
            endpoint.close()
        self._endpoints = []
        self._selector.close()

    def _unwatch(self, fd: int) -> None:
        del self._watched[fd]
        # epoll drops closed descriptors by itself; the selector's own table needs telling.
        try:
            self._selector.unregister(fd)
        except (KeyError, ValueError, OSError):
            return

    def _wait_s(self) -> float:
        now_ns = self._clock.now_ns()
        wishes = [connection.wake_ns for connection in self._connections()]
        instants = [wish for wish in wishes if wish is not None]
        if self._timetable:
            instants.append(self._timetable[0][0])
        if not instants:
            return LONGEST_WAIT_S
        return min(max((min(instants) - now_ns) * 1e-9, 0.0), LONGEST_WAIT_S)

    def _connections(self) -> list[Connection]:
        return [connection for _, connection in self._watched.values() if connection is not None]

    def _serve(self, fd: int, events: int) -> None:
        endpoint, connection = self._watched[fd]
        if connection is None:
            if endpoint.accept() is not None:
                self.refresh()
            return
        if events & selectors.EVENT_READ:
            data = connection.read()
            if data is None:
                self._lost(endpoint, connection)
                return
            connection.line.feed(data, self._clock.now_ns())
        connection.wake_ns = 0

    def _poll_due(self) -> None:
        now_ns = self._clock.now_ns()
        for endpoint, connection in list(self._watched.values()):
            if connection is None or connection.wake_ns is None or connection.wake_ns > now_ns:
                continue
            connection.wake_ns = connection.line.poll(now_ns)
            if not connection.flush(now_ns):
                self._lost(endpoint, connection)
                continue
            self._watch_writing(connection)

    def _watch_writing(self, connection: Connection) -> None:
        """While the peer does not read, wait for room instead of polling."""
        wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if connection.blocked else 0)
        if connection.fd in self._watched:
            if self._selector.get_key(connection.fd).events != wanted:
                self._selector.modify(connection.fd, wanted)
            if connection.blocked and connection.wake_ns is not None:
                connection.wake_ns = max(connection.wake_ns, self._clock.now_ns() + 10_000_000)

    def _lost(self, endpoint: Endpoint, connection: Connection) -> None:
        if endpoint.listener is None and len(endpoint.connections) == 1:
            connection.wake_ns = None  # a serial line stays
            return
        self._unwatch(connection.fd)
        endpoint.forget(connection)
