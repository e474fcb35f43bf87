"""The message exchange protocol of IEEE 488.2 chapter 6 for buses with separate reads.

A socket carries responses away as they are made, so that only a bus on which the controller
asks for bytes can see INTERRUPTED (-410), UNTERMINATED (-420) and DEADLOCKED (-430). Such a
bus (GPIB, USBTMC) is this class: `write` and `read` are the controller's two actions.
"""

from sim_instruments.scpi.device import ScpiDevice

OUTPUT_QUEUE = 65536


class BusExchange:
    """A controller's view of a device over a bus with addressed reads."""

    def __init__(self, device: ScpiDevice) -> None:
        self._device = device
        self._session = device.open_port()
        self._output = bytearray()

    def write(self, message: bytes, now_ns: int) -> None:
        """Send a program message; one that meets an unread response interrupts it (-410)."""
        if self._output or self._session.busy():
            self._output.clear()
            self._session.abandon()
            self._device.status.error(-410)
        self._session.feed(message, now_ns)
        self._collect()

    def read(self, now_ns: int) -> bytes | None:
        """The response message, or None when there is none yet.

        Reading when nothing was asked is UNTERMINATED (-420).
        """
        self._session.poll(now_ns)
        self._collect()
        if self._output:
            response = bytes(self._output)
            self._output.clear()
            return response
        if not self._session.busy():
            self._device.status.error(-420)
        return None

    def clear(self) -> None:
        """Device clear (DCL): nothing pending, no error."""
        self._session.clear()
        self._output.clear()

    def wake_ns(self, now_ns: int) -> int | None:
        """Instant at which a suspended response goes on, None when none is suspended."""
        return self._session.poll(now_ns)

    def response_waiting(self) -> bool:
        """True when a response could be read at once."""
        return bool(self._output)

    def _collect(self) -> None:
        for message in self._session.take():
            self._output += message
        if len(self._output) > OUTPUT_QUEUE:
            self._output.clear()
            self._device.status.error(-430)
