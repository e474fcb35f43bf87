"""Kinds of instruments a scenario may name."""

from collections.abc import Callable

from sim_instruments.instruments.bench import Bench
from sim_instruments.instruments.counter import FrequencyCounter
from sim_instruments.instruments.gnss import DisciplinedOscillator, NmeaReceiver
from sim_instruments.instruments.synthesizer import Synthesizer
from sim_instruments.instruments.wavemeter import Wavemeter
from sim_instruments.port import Instrument

KINDS: dict[str, Callable[[Bench], Instrument]] = {
    "scpi_counter": FrequencyCounter,
    "scpi_synthesizer": Synthesizer,
    "ascii_wavemeter": Wavemeter,
    "nmea": NmeaReceiver,
    "scpi_gnss": DisciplinedOscillator,
}
