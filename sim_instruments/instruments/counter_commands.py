"""The counter's command tree, and how it waits for gates and formats what they gave."""

import struct
from collections.abc import Callable, Generator
from typing import TYPE_CHECKING, Any

from sim_instruments.instruments.acquisition import Row
from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.tree import Answer, Call, Command, Reply, Wait, setting
from sim_instruments.scpi.values import (
    Boolean,
    ChannelList,
    Choice,
    Parameter,
    definite_block,
    integer,
    number,
)

if TYPE_CHECKING:
    from sim_instruments.instruments.counter import FrequencyCounter

SENSE = "[SENSe]:FREQuency"
OSCILLATOR = "[SENSe]:ROSCillator"


def commands(counter: "FrequencyCounter") -> list[Command]:
    """All rows."""
    acquire = _Acquire(counter)
    return [
        *_measuring(acquire, ChannelList(counter.inputs, optional=True)),
        *_settings(counter),
        *_reference(counter),
    ]


def _measuring(acquire: "_Acquire", channels: ChannelList) -> list[Command]:
    expected = number("1E-3", "1E11", "1E7", "HZ", optional=True)
    resolution = number("1E-12", "1E9", "1E-3", "HZ", optional=True)
    wanted: tuple[Parameter, ...] = (expected, resolution, channels)
    some: tuple[Parameter, ...] = (channels,)
    rows = integer(1, 1_000_000, 1)
    wait = Choice(("WAIT",), "WAIT", optional=True)
    counted: tuple[Parameter, ...] = (rows, channels)
    return [
        Command("CONFigure[:SCALar]:FREQuency", acquire.configure, parameters=wanted),
        Command("CONFigure", query=acquire.configuration),
        Command("MEASure[:SCALar][:FREQuency]", query=acquire.measure, query_parameters=wanted),
        Command("READ[:SCALar][:FREQuency]", query=acquire.read, query_parameters=some),
        Command("READ:ARRay[:FREQuency]", query=acquire.read_array, query_parameters=counted),
        Command("FETCh[:SCALar][:FREQuency]", query=acquire.fetch, query_parameters=some),
        Command("FETCh:ARRay[:FREQuency]", query=acquire.fetch_array, query_parameters=some),
        Command("INITiate[:IMMediate][:ALL]", acquire.initiate),
        Command("INITiate:CONTinuous", acquire.run, acquire.running, (Boolean(),)),
        Command("ABORt", acquire.abort),
        Command("DATA:POINts", query=acquire.points),
        Command("DATA:REMove", query=acquire.remove, query_parameters=(rows, wait)),
    ]


def _settings(counter: "FrequencyCounter") -> list[Command]:
    def stored(pattern: str, parameter: Parameter, attribute: str) -> Command:
        return setting(pattern, parameter, _storer(counter, attribute), _loader(counter, attribute))

    weighting = Choice(("PI", "LAMBda", "OMEGa"), "PI")
    data_format = Choice(("ASCii", "REAL"), "ASC")
    return [
        stored(f"{SENSE}:APERture", number("0.0001", "1000", "0.1", "S"), "aperture_s"),
        stored(f"{SENSE}:GATE:TIME", number("0.0001", "1000", "0.1", "S"), "aperture_s"),
        stored(f"{SENSE}:WEIGhting", weighting, "weighting"),
        stored(f"{SENSE}:GAPLess", Boolean(True), "gapless"),
        stored(f"{SENSE}[:CW|FIXed]", number("1E-3", "1E11", "1E7", "HZ"), "expected_hz"),
        Command(f"{SENSE}:DEAD", query=lambda _: _dead(counter)),
        Command(f"{SENSE}:RESolution", query=lambda _: _resolution(counter)),
        stored("ARM[:STARt][:LAYer]:SOURce", Choice(("IMMediate", "EXTernal"), "IMM"), "arm"),
        stored("TRIGger:COUNt", integer(1, 1_000_000, 1), "count"),
        Command(
            "FORMat[:DATA]",
            lambda call: _set(counter, "data_format", call.values[0]),
            lambda _: "REAL,64" if counter.settings.data_format == "REAL" else "ASC,0",
            (data_format, integer(0, 64, 64, optional=True)),
        ),
        stored("FORMat:BORDer", Choice(("NORMal", "SWAPped"), "NORM"), "byte_order"),
        stored("FORMat:INDex", Boolean(), "with_index"),
        Command(
            "INPut#:LEVel",
            query=lambda call: f"{counter.counting.level_dbm(call.suffixes[0], call.now_ns):.1f}",
            highest=(counter.inputs,),
        ),
        Command(
            "INPut#:COUPling",
            lambda call: counter.settings.coupling.__setitem__(call.suffixes[0], call.values[0]),
            lambda call: counter.settings.coupling.get(call.suffixes[0], "AC"),
            (Choice(("AC", "DC"), "AC"),),
            highest=(counter.inputs,),
        ),
    ]


def _reference(counter: "FrequencyCounter") -> list[Command]:
    def source(call: Call) -> Reply:
        return "EXT" if counter.external(call.now_ns) else "INT"

    def select(call: Call) -> Reply:
        counter.settings.reference = call.values[0]
        return None

    def valid(call: Call) -> Reply:
        return "1" if counter.counting.time_base.present(call.now_ns) else "0"

    words = (Choice(("INTernal", "EXTernal"), "EXT"),)
    return [
        Command(f"{OSCILLATOR}:SOURce", select, source, words),
        Command(f"{OSCILLATOR}:EXTernal:VALid", query=valid),
    ]


def _set(counter: "FrequencyCounter", attribute: str, value: Any) -> None:
    setattr(counter.settings, attribute, value)


def _storer(counter: "FrequencyCounter", attribute: str) -> Callable[[Call, Any], Reply]:
    def store(_: Call, value: Any) -> Reply:
        if counter.acquisition.running and attribute in ("aperture_s", "weighting", "gapless"):
            raise ScpiError(-221, "stop the measurement first")
        _set(counter, attribute, int(value) if attribute == "count" else value)
        return None

    return store


def _loader(counter: "FrequencyCounter", attribute: str) -> Callable[[Call], Any]:
    def load(_: Call) -> Any:
        value = getattr(counter.settings, attribute)
        return _decimal(value) if attribute == "count" else value

    return load


def _decimal(value: int) -> Any:
    from decimal import Decimal

    return Decimal(value)


def _dead(counter: "FrequencyCounter") -> str:
    seconds = 0.0 if counter.settings.gapless else counter.bench.number("dead_s", 2e-3)
    return f"{seconds:.6f}"


def _resolution(counter: "FrequencyCounter") -> str:
    settings = counter.settings
    places = counter.counting.places(
        float(settings.expected_hz), float(settings.aperture_s), settings.weighting
    )
    return f"{10.0**-places:.{places}f}"


class _Acquire:
    """Handlers that start, await and fetch gates."""

    def __init__(self, counter: "FrequencyCounter") -> None:
        self._counter = counter

    def configure(self, call: Call) -> Reply:
        counter = self._counter
        counter.acquisition.abort()
        expected, _, channels = call.values
        if expected is not None:
            counter.settings.expected_hz = expected
        if channels is not None:
            counter.settings.channels = channels
        counter.settings.count = 1
        return None

    def configuration(self, _: Call) -> Reply:
        settings = self._counter.settings
        channels = ",".join(str(channel) for channel in settings.channels)
        return f'"FREQ {settings.expected_hz.normalize():f},(@{channels})"'

    def measure(self, call: Call) -> Wait:
        self.configure(call)
        call.values = [call.values[2]]
        return (yield from self.read(call))

    def read(self, call: Call) -> Wait:
        self._restart(call)
        return (yield from self.fetch(call))

    def read_array(self, call: Call) -> Wait:
        count, channels = call.values
        self._counter.settings.count = int(count)
        self._restart(call)
        call.values = [channels]
        return (yield from self.fetch_array(call))

    def _restart(self, call: Call) -> None:
        if self._counter.acquisition.continuous:
            raise ScpiError(-213)
        self._counter.acquisition.abort()
        self._counter.initiate(call.now_ns)

    def fetch(self, call: Call) -> Wait:
        """The last gate's readings; waits for a counted acquisition or a first gate."""
        yield from self._await_data(call)
        last = self._counter.acquisition.last
        if last is None:
            raise ScpiError(-230)
        return self._format([last], call.values[0])

    def fetch_array(self, call: Call) -> Wait:
        yield from self._await_data(call)
        rows = list(self._counter.acquisition.rows)
        if not rows:
            raise ScpiError(-230)
        return self._format(rows, call.values[0])

    def _await_data(self, call: Call) -> Generator[int, int, None]:
        acquisition = self._counter.acquisition
        acquisition.advance(call.now_ns)
        while acquisition.running and (not acquisition.continuous or acquisition.last is None):
            end = acquisition.next_end_ns()
            assert end is not None
            acquisition.advance((yield end))

    def initiate(self, call: Call) -> Reply:
        self._counter.initiate(call.now_ns)
        return None

    def run(self, call: Call) -> Reply:
        acquisition = self._counter.acquisition
        if not call.values[0]:
            acquisition.advance(call.now_ns)
            if acquisition.continuous:
                acquisition.abort()
        elif not acquisition.continuous:
            self._counter.initiate(call.now_ns, continuous=True)
        return None

    def running(self, _: Call) -> Reply:
        return "1" if self._counter.acquisition.continuous else "0"

    def abort(self, call: Call) -> Reply:
        acquisition = self._counter.acquisition
        acquisition.advance(call.now_ns)
        acquisition.abort()
        return None

    def points(self, call: Call) -> Reply:
        self._counter.acquisition.advance(call.now_ns)
        return str(len(self._counter.acquisition.rows))

    def remove(self, call: Call) -> Wait:
        """Oldest rows, taken out of memory; ``WAIT`` waits until there are as many."""
        acquisition = self._counter.acquisition
        wanted, wait = int(call.values[0]), call.values[1]
        acquisition.advance(call.now_ns)
        while wait and acquisition.running and len(acquisition.rows) < wanted:
            end = acquisition.next_end_ns()
            assert end is not None
            acquisition.advance((yield end))
        if len(acquisition.rows) < wanted:
            raise ScpiError(-222, f"only {len(acquisition.rows)} rows in memory")
        if acquisition.lost:
            acquisition.lost = 0
            self._counter.status.error(-230, "rows were lost")
        return self._format([acquisition.rows.popleft() for _ in range(wanted)], None)

    def _format(self, rows: list[Row], channels: tuple[int, ...] | None) -> Answer:
        settings = self._counter.settings
        order = channels or settings.channels
        texts = [text for row in rows for text in self._counter.values(row, order)]
        if settings.data_format == "ASC":
            return ",".join(texts)
        order_sign = ">" if settings.byte_order == "NORM" else "<"
        return definite_block(struct.pack(f"{order_sign}{len(texts)}d", *map(float, texts)))
