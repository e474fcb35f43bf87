"""The instrument against one like QCoDeS's, and against QCoDeS itself where it is installed."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from labref.model.errors import InputError
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab
from labref_qcodes import make_class
from labref_qcodes.values import Source

S = 10**9
GATE = {"f_rep": [0.0], "f_ceo": [0.0], "beat": [250.0], "wm": [0.0]}


class LikeInstrument:
    """What the adapter needs of an instrument: a name, and parameters that refuse a bool."""

    def __init__(self, name: str, **more: Any) -> None:
        assert not more
        self.name = name
        self.parameters: dict[str, Any] = {}

    def add_parameter(self, name: str, get_cmd: Callable[[], Any], **more: Any) -> None:
        assert name.isidentifier()
        assert more["set_cmd"] is False

        def get() -> Any:
            value = get_cmd()
            assert not isinstance(value, bool), "numeric, but got bool"
            return value

        self.parameters[name] = get
        setattr(self, name, get)

    def snapshot(self) -> dict[str, Any]:
        return {name: get() for name, get in self.parameters.items()}


def bench(out: Path | None = None) -> MemoryBench:
    return MemoryBench(comb_lab(("sigma = 1e-5", "sigma = 1e-7")), out=out)


def test_parameters_of_a_session() -> None:
    lab = bench()
    reference = make_class(LikeInstrument)("lasers", session=lab.session)
    assert reference.clock729_good() == -1
    assert math.isnan(reference.clock729_offset_hz())
    lab.run(GATE)
    values = reference.snapshot()
    assert values["clock729_offset_hz"] == pytest.approx(250.0)
    assert values["clock729_detuning_hz"] == pytest.approx(250.0)
    assert values["clock729_nominal_hz"] == 411_042_129_776_400
    assert values["clock729_nominal"] == "411042129776400"
    assert (values["clock729_good"], values["clock729_reason"]) == (1, "")
    assert values["clock729_t_ns"] == lab.start_ns + S
    lab.run({**GATE, "beat": [5000.0]})
    assert reference.clock729_good() == 0
    assert "above the upper limit" in reference.clock729_reason()
    lab.clock.advance_ns(60 * S)
    assert reference.clock729_good() == -1
    assert reference.clock729_reason() == "last reading too old"
    assert reference.get_idn()["vendor"] == "labref"


def test_parameters_of_a_trace_that_is_being_written(tmp_path: Path) -> None:
    lab = bench(tmp_path / "trace")
    lab.run(GATE)

    def source(session: Any, trace: Any) -> Source:
        return Source(session, trace, clock=lab.clock)

    reference = make_class(LikeInstrument, source)("lasers", trace=tmp_path / "trace")
    assert reference.clock729_good() == 1
    assert reference.clock729_offset_hz() == pytest.approx(250.0)
    lab.run({**GATE, "beat": [5000.0]})
    assert reference.clock729_good() == 0
    lab.clock.advance_ns(60 * S)
    assert (reference.clock729_good(), reference.clock729_reason()) == (-1, "last reading too old")
    lab.session.stop()


def test_exactly_one_source() -> None:
    with pytest.raises(InputError, match="either a session or"):
        Source()
    with pytest.raises(InputError, match="either a session or"):
        Source(bench().session, "trace")


def test_importing_the_adapter_imports_no_qcodes() -> None:
    import subprocess
    import sys

    code = "import labref_qcodes, sys; assert 'qcodes' not in sys.modules"
    environment = {"PYTHONPATH": ":".join(sys.path)}
    subprocess.run([sys.executable, "-c", code], check=True, env=environment)


def test_a_measurement_and_a_station_file_of_qcodes(
    need_package: Callable[[str], None], tmp_path: Path
) -> None:
    need_package("qcodes")
    import importlib

    qcodes = importlib.import_module("qcodes")
    dataset = importlib.import_module("qcodes.dataset")
    lab = bench(tmp_path / "trace")
    lab.run(GATE)
    station_file = tmp_path / "station.yaml"
    station_file.write_text(
        "instruments:\n  lasers:\n    type: labref_qcodes.LaserReference\n"
        f"    init:\n      trace: {tmp_path / 'trace'}\n"
    )
    station = qcodes.Station(config_file=str(station_file))
    reference = station.load_instrument("lasers")
    try:
        assert reference.snapshot(update=True)["parameters"]["clock729_nominal"]["value"]
        dataset.initialise_or_create_database_at(str(tmp_path / "data.db"))
        dataset.load_or_create_experiment("labref", "sample")
        measurement = dataset.Measurement()
        measurement.register_parameter(reference.clock729_offset_hz)
        measurement.register_parameter(reference.clock729_reason, paramtype="text")
        with measurement.run() as saver:
            offset, reason = reference.clock729_offset_hz(), reference.clock729_reason()
            saver.add_result(
                (reference.clock729_offset_hz, offset), (reference.clock729_reason, reason)
            )
        assert saver.dataset.number_of_results == 2  # one by parameter
    finally:
        reference.close()
        lab.session.stop()
