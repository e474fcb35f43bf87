"""Dialects as data: shipped, a user's own, a lab file's; options; read-back of settings."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from labref.drivers.air import air_formula
from labref.drivers.base import InstrumentSetup
from labref.drivers.catalogue import Catalogue
from labref.drivers.dialect import Input, dialect_of, fill
from labref.drivers.inputs import reader_of
from labref.drivers.programs import PROGRAMS, program_of
from labref.drivers.settings import Watch
from labref.frequency.air import of_frequency
from labref.frequency.refractivity import Air
from labref.model.channel import Channel
from labref.model.errors import InputError, ReplyError
from labref.model.flags import Flag
from labref.model.times import VirtualClock

CATALOGUE = Catalogue()
BEAT = Channel("beat", Fraction(60_000_000))


@pytest.mark.parametrize("name", CATALOGUE.names())
def test_every_shipped_dialect_loads_and_explains_itself(name: str) -> None:
    dialect = CATALOGUE.get(name)
    assert len(dialect.about) > 20
    assert dialect.program in {*PROGRAMS, "record"}
    assert all(option.about for option in dialect.options.values())
    if dialect.role == "source":
        assert not dialect.configure, "a source is never configured"
    if dialect.program not in ("gnss", "record", "stream", "exposures") and dialect.role == "sink":
        assert dialect.errors, "a SCPI dialect reads the error queue"


def test_a_users_folder_and_a_lab_files_table_go_first(tmp_path: Path) -> None:
    own = 'about = "own"\nprogram = "poll"\n'
    (tmp_path / "own-meter.toml").write_text(own)
    (tmp_path / "scpi-counter.toml").write_text(own)
    table = {"about": "mine", "program": "poll"}
    catalogue = Catalogue([tmp_path], {"in-lab": table})
    assert catalogue.get("own-meter").about == "own"
    assert catalogue.get("scpi-counter").about == "own"
    assert catalogue.get("in-lab").about == "mine"
    assert {"own-meter", "in-lab", "scpi-counter"} <= set(catalogue.names())


def test_a_misspelt_dialect_gets_the_nearest_names() -> None:
    with pytest.raises(InputError, match="no dialect 'scpi-conter'; did you mean scpi-counter"):
        CATALOGUE.get("scpi-conter")
    with pytest.raises(InputError, match="known: ascii-wavemeter"):
        CATALOGUE.get("../secret")


@pytest.mark.parametrize(
    ("table", "text"),
    [
        ({"program": "poll"}, "missing required field `about`"),
        ({"about": "x", "program": "poll", "confgure": []}, "confgure"),
        ({"about": "x", "program": "poll", "inputs": {"a": {"read": "text"}}}, "read"),
    ],
)
def test_a_table_that_is_none_is_named(table: dict[str, object], text: str) -> None:
    with pytest.raises(InputError, match=text):
        dialect_of("mine", table, "lab.toml")


def test_broken_toml_names_file_and_line(tmp_path: Path) -> None:
    (tmp_path / "bad.toml").write_text("about = \n")
    with pytest.raises(InputError, match=r"bad\.toml: .*line 1"):
        Catalogue([tmp_path]).get("bad")


@pytest.mark.parametrize(
    ("dialect", "inputs", "options", "text"),
    [
        ("scpi-counter", (("1", BEAT),), {"refrence": 1}, "no option 'refrence'; it has"),
        ("scpi-synthesizer", (("phase", BEAT),), {}, "no input 'phase'; it has: frequency"),
        ("scpi-wavemeter-air", (("1", BEAT),), {}, "needs air_formula"),
        ("scpi-wavemeter-air", (("1", BEAT),), {"air_formula": "x"}, "'ciddor' or 'edlen'"),
        ("scpi-digitiser", (("1", BEAT),), {}, "names no program"),
        ("scpi-voltmeter", (("1", BEAT),), {}, "is in 'Hz' but its input reads 'V'"),
        ("scpi-counter", (("1", BEAT),), {"reference_source": "EXT;*RST"}, "'EXT' or 'INT'"),
    ],
)
def test_mistakes_in_a_lab_file_name_the_instrument(
    dialect: str, inputs: tuple[tuple[str, Channel], ...], options: dict[str, object], text: str
) -> None:
    setup = InstrumentSetup("bench_counter", "memory", dialect, inputs, options)
    with pytest.raises(InputError, match="bench_counter") as caught:
        program_of(setup, VirtualClock())
    assert text in str(caught.value)


def test_templates() -> None:
    assert fill(":FREQ {value}", {"value": Fraction(1, 8)}) == ":FREQ 0.125"
    assert fill(":FREQ {value}", {"value": None}) is None
    with pytest.raises(InputError, match="asks for"):
        fill(":FREQ {valeu}", {"value": 1})


def watch(**values: object) -> Watch:
    return Watch(
        CATALOGUE.get("scpi-counter"), {"gate_s": "0.1", "reference_source": "EXT", **values}
    )


def test_settings_are_unknown_until_read_and_then_compared() -> None:
    settings = watch()
    assert settings.flags == int(Flag.SETTINGS | Flag.REFERENCE)
    settings.take("gate_s", "1.00000E-001", 0.0)
    settings.take("reference", "EXT", 0.0)
    assert settings.flags == 0
    settings.take("reference", "INT", 1.0)
    assert settings.flags == int(Flag.REFERENCE)
    assert settings.take("gate_s", "0.2", 1.0).text == "gate_s is 0.2, expected 0.1"
    settings.forget()
    assert settings.flags == int(Flag.SETTINGS | Flag.REFERENCE)


@pytest.mark.parametrize(
    ("name", "reply"), [("gate_s", "EXT"), ("reference", "0.1"), ("gate_s", "")]
)
def test_a_reply_that_is_no_setting_is_refused(name: str, reply: str) -> None:
    with pytest.raises(ReplyError):
        watch().take(name, reply, 0.0)


def test_the_time_base_is_due_always_and_the_rest_once_a_second() -> None:
    settings = watch()
    settings.take("gate_s", "0.1", 0.0)
    settings.take("reference", "EXT", 0.0)
    assert settings.due(1.0, 1.0) == ["gate_s", "reference"]
    assert settings.due(0.5, 0.1) == ["reference"]
    assert settings.due(0.96, 0.1) == ["gate_s", "reference"]


LASER = Channel("wm", Fraction(411_042_129_776_400))


def test_a_vacuum_wavelength_becomes_an_exact_frequency() -> None:
    read = reader_of(Input(read="wavelength", unit="nm"), LASER)
    value = Fraction(299_792_458 * 10**9) / Fraction("729.347276792") - LASER.nominal
    assert read("729.347276792")[0] == float(value)
    assert read("0.729347276792 um")[0] == float(value)
    assert read("7.29347276792E-7 m")[0] == float(value)


@pytest.mark.parametrize("air", [Air(15.0, 101_325.0, 0.0, 450.0), Air(22.5, 98_000.0, 0.4, 450.0)])
def test_an_air_wavelength_is_undone_with_the_instruments_own_air(air: Air) -> None:
    options = {
        "air_formula": "ciddor",
        "air_temperature_c": air.temperature_c,
        "air_pressure_pa": air.pressure_pa,
        "air_humidity": air.humidity,
        "air_co2_ppm": air.co2_ppm,
    }
    read = reader_of(Input(read="air wavelength", unit="nm"), LASER, air_formula(options, "w"))
    shown = of_frequency(LASER.nominal, air).air_nm
    offset, _ = read(f"{float(shown):.12f}")
    assert abs(offset) < 2.0  # 1e-12 nm is 0.6 Hz
    with pytest.raises(ReplyError, match=r"0\.2 to 2"):
        read("50")


@pytest.mark.parametrize("words", [{}, {"EXT": 1.0}])
def test_words(words: dict[str, float]) -> None:
    spec = Input(read="words", words=words)
    if not words:
        with pytest.raises(InputError, match="needs words"):
            reader_of(spec, BEAT)
        return
    read = reader_of(spec, Channel("x", Fraction(1)))
    assert read('"EXTernal"')[0] == 0.0
    with pytest.raises(ReplyError):
        read("INT")


def test_patterns_and_fields() -> None:
    assert reader_of(Input(pattern="F=(.*)Hz"), BEAT)("F=60000001Hz")[0] == 1.0
    assert reader_of(Input(field=2), BEAT)("x,60000002")[0] == 2.0
    for spec in (Input(pattern="("), Input(pattern="x")):
        with pytest.raises(InputError, match="pattern"):
            reader_of(spec, BEAT)
    with pytest.raises(ReplyError, match="1 fields, 2 is wanted"):
        reader_of(Input(field=2), BEAT)("60000002")
