"""Status reporting of IEEE 488.2 chapter 11 with SCPI's two extra registers.

Each event register is fed by a condition, filtered by an enable mask and summarised in one
bit of the status byte. Reading an event register clears it; reading the status byte does
not.
"""

from sim_instruments.scpi.errors import PON, ErrorQueue, event_bit

ERROR_QUEUE, QUESTIONABLE, MESSAGE_AVAILABLE, EVENT_SUMMARY, MASTER, OPERATION = (
    4,
    8,
    16,
    32,
    64,
    128,
)


class Register:
    """A SCPI condition / event / enable triple of 15 usable bits (positive transitions)."""

    def __init__(self) -> None:
        self.condition = 0
        self.event = 0
        self.enable = 0

    def set_condition(self, value: int) -> None:
        """Take a new condition; bits that rise are latched in the event register."""
        self.event |= value & ~self.condition
        self.condition = value & 0x7FFF

    def read_event(self) -> int:
        """Event register; reading clears it."""
        value, self.event = self.event, 0
        return value

    @property
    def summary(self) -> bool:
        """True when an enabled event is latched."""
        return bool(self.event & self.enable)


class Status:
    """The status byte, the standard event register, both SCPI registers, the error queue."""

    def __init__(self, queue_capacity: int = 20) -> None:
        self.errors = ErrorQueue(queue_capacity)
        self.esr = PON
        self.ese = 0
        self.sre = 0
        self.operation = Register()
        self.questionable = Register()

    def error(self, code: int, info: str = "") -> None:
        """Queue an error and set its class bit; an overflow also sets the device bit."""
        self.errors.push(code, info)
        self.esr |= event_bit(code)

    def read_esr(self) -> int:
        """Standard event register; reading clears it (``*ESR?``)."""
        value, self.esr = self.esr, 0
        return value

    def byte(self, message_available: bool) -> int:
        """Status byte as ``*STB?`` answers it, bit 6 being the master summary."""
        value = 0
        value |= ERROR_QUEUE if len(self.errors) else 0
        value |= QUESTIONABLE if self.questionable.summary else 0
        value |= MESSAGE_AVAILABLE if message_available else 0
        value |= EVENT_SUMMARY if self.esr & self.ese else 0
        value |= OPERATION if self.operation.summary else 0
        return value | (MASTER if value & self.sre & ~MASTER else 0)

    def clear(self) -> None:
        """``*CLS``: event registers and error queue, never the enable masks."""
        self.esr = 0
        self.operation.event = 0
        self.questionable.event = 0
        self.errors.clear()

    def preset(self) -> None:
        """``STATus:PRESet``: the SCPI enable masks only."""
        self.operation.enable = 0
        self.questionable.enable = 0
