"""Kinds of instruments a scenario may name."""

from collections.abc import Callable

from sim_instruments.instruments.bench import Bench
from sim_instruments.instruments.counter import FrequencyCounter
from sim_instruments.instruments.digitiser import Digitiser
from sim_instruments.instruments.experiment import Experiment
from sim_instruments.instruments.gnss import DisciplinedOscillator, NmeaReceiver
from sim_instruments.instruments.spectrum import SpectrumAnalyser
from sim_instruments.instruments.stream_counter import StreamCounter
from sim_instruments.instruments.synthesizer import Synthesizer
from sim_instruments.instruments.voltage import VoltageSource, Voltmeter
from sim_instruments.instruments.wavemeter import Wavemeter
from sim_instruments.instruments.wavemeter_scpi import ScpiWavemeter
from sim_instruments.port import Instrument

KINDS: dict[str, Callable[[Bench], Instrument]] = {
    "scpi_counter": FrequencyCounter,
    "scpi_synthesizer": Synthesizer,
    "ascii_wavemeter": Wavemeter,
    "scpi_wavemeter": ScpiWavemeter,
    "stream_counter": StreamCounter,
    "scpi_voltmeter": Voltmeter,
    "scpi_voltage_source": VoltageSource,
    "scpi_spectrum": SpectrumAnalyser,
    "scpi_digitiser": Digitiser,
    "experiment_lines": Experiment,
    "nmea": NmeaReceiver,
    "scpi_gnss": DisciplinedOscillator,
}
