"""Whatever bytes arrive, an instrument does not fall over and still says who it is."""

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from sim_instruments.scpi.errors import STANDARD_TEXTS, ErrorQueue, describe, event_bit
from sim_instruments.scpi.header import compile_pattern, match, split_typed
from sim_instruments.scpi.text import MAX_BLOCK, MAX_MESSAGE, Framer, split_outside
from sim_instruments.scpi.values import definite_block

QUIET = settings(
    max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
WORDS = st.sampled_from(
    [
        b"*IDN?", b"*RST", b"*OPC?", b"INIT", b"INIT:CONT ON", b"ABOR", b"FETC?", b"READ?",
        b"MEAS:FREQ? (@1,2)", b"FREQ:APER ", b"FREQ:APER 1E-3", b"FORM REAL", b"DATA:REM? 1",
        b"#15abcde", b"#0", b"#2", b";", b":", b"\n", b"(@", b"'", b'"', b"9E99", b"MHZ", b"?",
        b"OUTP2 ", b"SOUR1:FREQ 1", b"FREQ? 1", b"CHAN 2", b"READ? 1", b"GATE 0.5", b"VOLT 1",
        b"TRAC?", b"FETC:WAV?", b"ACQ:POIN 16", b"INIT;*WAI", b"SYST:ERR?", b" ", b",", b"1",
    ]
)  # fmt: skip
SOUP = st.lists(st.one_of(st.binary(max_size=12), WORDS), max_size=12).map(b"".join)


@pytest.fixture(scope="module")
def everything(tools):
    """One instrument of every kind that answers, in one quiet world."""
    tables = tools.reference_tables(
        counter=tools.counter_row(),
        synth={"kind": "scpi_synthesizer", "reference": "ref", "outputs_hz": [8e7, 9e7]},
        meter={"kind": "ascii_wavemeter", "lasers": ["L866"]},
        scpi_meter={"kind": "scpi_wavemeter", "lasers": ["L866"]},
        volts={"kind": "scpi_voltmeter", "inputs": ["power:L866"]},
        source={"kind": "scpi_voltage_source", "outputs_v": [0.0]},
        analyser={"kind": "scpi_spectrum", "input": "beat"},
        digitiser={"kind": "scpi_digitiser", "input": "iq:beat"},
        status={"kind": "scpi_gnss", "reference": "ref"},
        stream={"kind": "stream_counter", "reference": "ref", "inputs": ["beat"]},
        gnss={"kind": "nmea", "reference": "ref"},
        atoms={"kind": "experiment_lines", "transition": "866"},
    )
    return tools.Bench(tables)


NAMES = [
    "counter", "synth", "meter", "scpi_meter", "volts", "source", "analyser", "digitiser", "status",
]  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
@QUIET
@given(soup=SOUP)
@example(soup=b"\x1c")  # blank to a text, not to an instrument
def test_an_instrument_still_says_who_it_is(everything, name, soup):
    bench = everything
    bench.ports.pop(name, None)
    bench.write(name, soup)
    # A block that claims its full length swallows what comes: fill it, end its message.
    bench.write(name, b" " * (MAX_BLOCK + 8))
    if hasattr(bench.port(name), "abandon"):
        bench.port(name).abandon()  # somebody may have asked for an hour of gates
    bench.write(name, "*IDN?")
    assert b"SIMULATED," in bench.read(name)


@pytest.mark.parametrize("name", ["stream", "gnss", "atoms"])
@QUIET
@given(soup=SOUP)
def test_talkers_go_on_talking(everything, name, soup):
    bench = everything
    bench.ports.pop(name, None)
    bench.write(name, soup)
    bench.write(name, b"\nGO")
    for _ in range(40):
        if b" " in bench.read(name) or name == "gnss":
            return
    raise AssertionError(f"{name} has gone quiet")


@given(st.lists(st.binary(max_size=40), max_size=8))
def test_framing_does_not_depend_on_how_bytes_are_cut(chunks):
    whole, cut = Framer(), Framer()
    expected = whole.feed(b"".join(chunks))
    assert [message for chunk in chunks for message in cut.feed(chunk)] == expected


@given(st.binary(max_size=200))
def test_a_definite_block_comes_through_whole(payload):
    message = b"DATA " + definite_block(payload)
    assert Framer().feed(message + b"\n*IDN?\n") == [message, b"*IDN?"]


def test_an_endless_message_is_an_overrun():
    framer = Framer()
    for _ in range(MAX_MESSAGE // 1000 + 2):
        assert framer.feed(b"x" * 1000) == []
    assert framer.feed(b"\n*IDN?\n") == [None, b"*IDN?"]


def test_overrun_is_reported_by_its_number(tools):
    bench = tools.Bench(tools.reference_tables(counter=tools.counter_row()))
    bench.write("counter", b"x" * (MAX_MESSAGE + 10))
    assert bench.ask("counter", "SYST:ERR?") == '-363,"Input buffer overrun"'


@given(st.text(st.sampled_from("ab;,\"'()#1 "), max_size=30))
def test_splitting_loses_nothing(text):
    assert ";".join(split_outside(text, ";")) == text


@given(st.data())
def test_every_spelling_of_a_pattern_matches(data):
    """Short or long form, with or without optional nodes, any case."""
    pattern = "[SENSe#]:FREQuency[:CW|FIXed]:APERture"
    spelled = []
    for forms in (
        ["", "SENS", "SENSE", "SENS2"],
        ["FREQ", "FREQUENCY"],
        ["", "CW", "FIX", "FIXED"],
    ):
        spelled.append(data.draw(st.sampled_from(forms)))
    spelled.append(data.draw(st.sampled_from(["APER", "APERTURE"])))
    header = ":".join(word for word in spelled if word)
    cased = "".join(data.draw(st.sampled_from([c.lower(), c.upper()])) for c in header)
    found = match(split_typed(cased), compile_pattern(pattern))
    assert found is not None
    assert found.suffixes == (2 if "2" in header else 1,)


@given(st.lists(st.sampled_from(sorted(STANDARD_TEXTS)), max_size=60), st.integers(1, 30))
def test_error_queue_against_a_plain_model(codes, capacity):
    """Older entries are kept, the last becomes -350, further ones are dropped (21.8.1)."""
    queue = ErrorQueue(capacity)
    for code in codes:
        queue.push(code)
    kept = codes if len(codes) <= capacity else [*codes[: capacity - 1], -350]
    assert [queue.pop() for _ in kept] == [describe(code) for code in kept]
    assert queue.pop() == '0,"No error"'


@pytest.mark.parametrize(
    ("code", "bit"),
    [(-100, 32), (-199, 32), (-200, 16), (-300, 8), (5, 8), (-400, 4), (-500, 128), (-600, 64),
     (-700, 2), (-800, 1), (0, 0)],
)  # fmt: skip
def test_error_classes_set_their_bits(code, bit):
    """SCPI-1999 Volume 2, 21.8.9 to 21.8.16."""
    assert event_bit(code) == bit
