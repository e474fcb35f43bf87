"""From an instrument's messages to bytes on the wire: faults first, then pacing.

Wire faults act on whole messages (late, cut, garbled, lost, exchanged, doubled) or on the
line itself (babble, trickle). What leaves is released byte by byte at the line's rate.
"""

import heapq

import numpy as np

from sim_instruments.faults import Fault
from sim_instruments.instruments.bench import Bench
from sim_instruments.port import Port

CUT = ("unplug", "power_cut", "hangup")
SILENT = ("silence", "hung", *CUT)
ALTERING = ("partial_line", "garbage", "late_reply", "duplicate", "wrong_order")
MAX_WAITING = 1 << 22


class Line:
    """One connection: a port, its faults, and a byte rate (None: as fast as it goes)."""

    def __init__(
        self, port: Port, bench: Bench, bytes_per_s: float | None, rng: np.random.Generator
    ) -> None:
        self._port = port
        self._bench = bench
        self._rate = bytes_per_s
        self._rng = rng
        self._due: list[tuple[int, int, bytes]] = []
        self._order = 0
        self._held: bytes | None = None
        self._ready = bytearray()
        self._released_ns = 0
        self._babbled_ns = 0

    def feed(self, data: bytes, now_ns: int) -> None:
        """Bytes from the peer; a hung instrument or a cut cable swallows them."""
        if self._bench.fault(now_ns, "hung", *CUT) is None:
            self._port.feed(data, now_ns)

    def poll(self, now_ns: int) -> int | None:
        """Move what is due towards the wire; the next instant to come back, or None."""
        wake = self._port.poll(now_ns)
        for message in self._port.take():
            self._schedule(message, now_ns)
        self._release_held(now_ns)
        if not self._ready:
            self._released_ns = now_ns
        while self._due and self._due[0][0] <= now_ns:
            self._ready += heapq.heappop(self._due)[2]
        babble = self._bench.fault(now_ns, "babble")
        if babble is not None:
            self._babble(babble, now_ns)
        if len(self._ready) > MAX_WAITING:
            self._ready.clear()
        wishes = [wake] if wake is not None else []
        wishes += [self._due[0][0]] if self._due else []
        wishes += [now_ns + 5_000_000] if babble is not None or self._held is not None else []
        if self._ready and self._bytes_per_s(now_ns) is not None:
            wishes.append(now_ns + 2_000_000)
        return min(wishes) if wishes else None

    def take(self, now_ns: int) -> bytes:
        """Bytes that the line's rate lets go by now."""
        rate = self._bytes_per_s(now_ns)
        if rate is None:
            allowed = len(self._ready)
        else:
            # Time that buys a fraction of a byte is kept, idle time is not.
            begin_ns = max(self._released_ns, now_ns - 50_000_000)
            allowed = min(len(self._ready), int((now_ns - begin_ns) * 1e-9 * rate))
            self._released_ns = begin_ns + int(allowed / rate * 1e9)
        data = bytes(self._ready[:allowed])
        del self._ready[:allowed]
        if not self._ready:
            self._released_ns = now_ns
        return data

    def put_back(self, data: bytes) -> None:
        """Bytes that the wire did not take."""
        self._ready[:0] = data

    def _bytes_per_s(self, now_ns: int) -> float | None:
        trickle = self._bench.fault(now_ns, "trickle")
        return self._rate if trickle is None else trickle.amount

    def _schedule(self, message: bytes, now_ns: int) -> None:
        if self._bench.fault(now_ns, *SILENT) is not None:
            return
        fault = self._bench.fault(now_ns, *ALTERING)
        if fault is None or not self._strikes(fault):
            self._push(now_ns, message)
        elif fault.kind == "late_reply":
            self._push(now_ns + round(fault.amount * 1e9), message)
        elif fault.kind == "duplicate":
            self._push(now_ns, message + message)
        elif fault.kind == "partial_line":
            self._push(now_ns, message[: max(0, round(fault.amount))])
        elif fault.kind == "garbage":
            self._push(now_ns, self._rng.bytes(max(1, round(fault.amount))) + b"\n")
        elif self._held is None:
            self._held = message
        else:
            self._push(now_ns, message + self._held)
            self._held = None

    def _strikes(self, fault: Fault) -> bool:
        return float(self._rng.uniform()) < float(fault.options.get("probability", 1.0))

    def _release_held(self, now_ns: int) -> None:
        if self._held is not None and self._bench.fault(now_ns, "wrong_order") is None:
            self._push(now_ns, self._held)
            self._held = None

    def _push(self, due_ns: int, message: bytes) -> None:
        self._order += 1
        heapq.heappush(self._due, (due_ns, self._order, message))

    def _babble(self, fault: Fault, now_ns: int) -> None:
        since = min(now_ns - self._babbled_ns, 100_000_000)
        self._babbled_ns = now_ns
        count = int(since * 1e-9 * fault.amount)
        self._ready += bytes(self._rng.integers(0x30, 0x3A, count, dtype=np.uint8).tolist())
