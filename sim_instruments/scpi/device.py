"""An instrument with a program: common commands, status system, shared by its connections."""

from collections.abc import Generator

from sim_instruments.scpi.errors import OPC
from sim_instruments.scpi.session import ScpiSession
from sim_instruments.scpi.status import Register, Status
from sim_instruments.scpi.tree import Call, Command, Handler, Reply, Tree, Wait
from sim_instruments.scpi.values import integer

VERSION = "1999.0"


class ScpiDevice:
    """State shared by all connections; a subclass adds commands, `reset` and `pending_until`.

    Args:
        identity: the four fields of ``*IDN?``, at most 72 characters together (10.14).
        commands: the instrument's own rows, searched before the common ones.
    """

    def __init__(self, identity: tuple[str, str, str, str], commands: list[Command]) -> None:
        self.identity = ",".join(identity)
        if len(self.identity) > 72:
            raise ValueError(f"identity {self.identity!r} is longer than 72 characters")
        self.status = Status()
        self.tree = Tree(commands + self._common_commands() + self._status_commands())
        self._opc_requested = False

    def reset(self, now_ns: int) -> None:
        """``*RST``: settings to their defaults; status and error queue stay."""

    def pending_until(self, now_ns: int) -> int | None:
        """Instant (> now_ns) at which overlapped operations end, None when none runs."""
        del now_ns
        return None

    def update(self, now_ns: int) -> None:
        """Bring conditions of the status registers up to date."""

    def self_test(self) -> int:
        """``*TST?``: 0 when passed."""
        return 0

    def open_port(self) -> ScpiSession:
        """A connection of its own: input buffer, path memory and output queue."""
        return ScpiSession(self)

    def power_on(self, now_ns: int) -> None:
        """Settings and status as after a power cut."""
        self.reset(now_ns)
        self.status = Status()

    def refresh(self, now_ns: int) -> None:
        """Called before each unit: conditions, and the operation-complete event if due."""
        self.update(now_ns)
        if self._opc_requested and self.pending_until(now_ns) is None:
            self._opc_requested = False
            self.status.esr |= OPC

    def wait_pending(self, call: Call) -> Generator[int, int, None]:
        """Yield until no overlapped operation runs any more."""
        now_ns = call.now_ns
        while (until := self.pending_until(now_ns)) is not None:
            now_ns = yield until

    def _opc_query(self, call: Call) -> Wait:
        yield from self.wait_pending(call)
        return "1"

    def _wai(self, call: Call) -> Wait:
        yield from self.wait_pending(call)
        return None

    def _opc(self, call: Call) -> Reply:
        self._opc_requested = True
        self.refresh(call.now_ns)
        return None

    def _rst(self, call: Call) -> Reply:
        self._opc_requested = False
        self.reset(call.now_ns)
        return None

    def _cls(self, _: Call) -> Reply:
        self._opc_requested = False
        self.status.clear()
        return None

    def _set_ese(self, call: Call) -> Reply:
        self.status.ese = int(call.values[0])
        return None

    def _set_sre(self, call: Call) -> Reply:
        self.status.sre = int(call.values[0]) & ~64
        return None

    def _common_commands(self) -> list[Command]:
        byte = integer(0, 255, 0)
        return [
            Command("*IDN", query=lambda _: self.identity),
            Command("*RST", write=self._rst),
            Command("*CLS", write=self._cls),
            Command("*OPC", write=self._opc, query=self._opc_query),
            Command("*WAI", write=self._wai),
            Command("*TST", query=lambda _: str(self.self_test())),
            Command("*ESR", query=lambda _: str(self.status.read_esr())),
            Command("*ESE", self._set_ese, lambda _: str(self.status.ese), (byte,)),
            Command("*SRE", self._set_sre, lambda _: str(self.status.sre), (byte,)),
            Command("*STB", query=lambda call: str(self.status.byte(call.session.has_response()))),
        ]

    def _all_errors(self, _: Call) -> Reply:
        if not len(self.status.errors):
            return self.status.errors.pop()
        return ",".join(self.status.errors.pop() for _ in range(len(self.status.errors)))

    def _status_commands(self) -> list[Command]:
        errors = "SYSTem:ERRor"
        rows = [
            Command(f"{errors}[:NEXT]", query=lambda _: self.status.errors.pop()),
            Command(f"{errors}:COUNt", query=lambda _: str(len(self.status.errors))),
            Command(f"{errors}:ALL", query=self._all_errors),
            Command("SYSTem:VERSion", query=lambda _: VERSION),
            Command("STATus:PRESet", write=lambda _: self.status.preset()),
        ]
        for name in ("OPERation", "QUEStionable"):
            rows += self._register_commands(name)
        return rows

    def _register_commands(self, name: str) -> list[Command]:
        def register() -> Register:
            status = self.status
            return status.operation if name == "OPERation" else status.questionable

        def enable(call: Call) -> Reply:
            register().enable = int(call.values[0])
            return None

        bits = (integer(0, 32767, 0),)
        root = f"STATus:{name}"
        event: Handler = lambda _: str(register().read_event())  # noqa: E731
        return [
            Command(f"{root}[:EVENt]", query=event),
            Command(f"{root}:CONDition", query=lambda _: str(register().condition)),
            Command(f"{root}:ENABle", enable, lambda _: str(register().enable), bits),
        ]
