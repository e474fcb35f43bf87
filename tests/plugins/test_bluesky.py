"""The adapter against the real run engine, every document through event-model's validators."""

from __future__ import annotations

import importlib
import importlib.util
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any
from urllib.parse import unquote, urlparse

import h5py
import numpy as np
import pytest

from labref.model.errors import InputError, RefusedError
from labref_bluesky import (
    DeviceStatus,
    GoodSignal,
    PointWindow,
    SetPoint,
    TransitionDevice,
    TransitionFlyer,
    Watch,
)  # fmt: skip

CLOCK = "clock729"
S = 10**9


@pytest.fixture(scope="module")
def labs() -> ModuleType:
    path = Path(__file__).parent / "bluesky_lab.py"
    spec = importlib.util.spec_from_file_location("bluesky_lab", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["bluesky_lab"] = module
    spec.loader.exec_module(module)
    return module


class Documents:
    """Keeps every document; each must pass event-model's validators."""

    def __init__(self) -> None:
        event_model = importlib.import_module("event_model")
        self._validators = event_model.schema_validators
        self._names = event_model.DocumentNames
        self.all: list[tuple[str, dict[str, Any]]] = []

    def __call__(self, name: str, document: dict[str, Any]) -> None:
        self._validators[self._names[name]].validate(document)
        self.all.append((name, document))

    def named(self, name: str) -> list[dict[str, Any]]:
        return [document for kind, document in self.all if kind == name]

    def events(self, stream: str) -> list[dict[str, Any]]:
        uids = {d["uid"] for d in self.named("descriptor") if d["name"] == stream}
        return [e for e in self.named("event") if e["descriptor"] in uids]


@pytest.fixture
def engine(need_package: Callable[[str], None]) -> Iterator[tuple[Any, Documents]]:
    need_package("bluesky")
    bluesky = importlib.import_module("bluesky")
    run = bluesky.RunEngine(context_managers=[])
    documents = Documents()
    run.subscribe(documents)
    yield run, documents
    if run.state != "idle":
        run.abort()


def plans() -> Any:
    return importlib.import_module("labref_bluesky.plans")


def stubs() -> Any:
    return importlib.import_module("bluesky.plan_stubs")


def wrapped(plan: Any) -> Any:
    return importlib.import_module("bluesky.preprocessors").run_wrapper(plan)


def test_the_adapter_imports_no_bluesky_and_no_event_model() -> None:
    code = "import labref_bluesky, labref_bluesky.plans, sys; print(*sys.modules)"
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True,
        env={"PYTHONPATH": ":".join(sys.path)},
    )  # fmt: skip
    assert not {"bluesky", "event_model"} & set(run.stdout.split())


def test_the_protocols_are_the_engines_own(
    labs: ModuleType, need_package: Callable[[str], None], tmp_path: Path
) -> None:
    need_package("bluesky")
    protocols = importlib.import_module("bluesky.protocols")
    lab = labs.Lab()
    device = TransitionDevice(lab.watch, CLOCK)
    signal = GoodSignal(lab.watch, [CLOCK])
    point = SetPoint("lo", lambda _: None, lambda: 80e6, (79e6, 81e6))
    flyer = TransitionFlyer(lab.watch, CLOCK, tmp_path, tmp_path)
    window = PointWindow(lab.watch, [CLOCK])
    for thing, names in (
        (device, ("Readable", "Triggerable", "Subscribable", "Configurable", "HasHints")),
        (signal, ("Readable", "Subscribable")),
        (point, ("NamedMovable", "Checkable", "Locatable", "Stoppable", "Readable")),
        (flyer, ("Flyable", "Collectable", "WritesStreamAssets")),
        (window, ("Readable", "Triggerable", "Stageable", "HasHints")),
        (DeviceStatus(), ("Status",)),
    ):
        for name in names:
            assert isinstance(thing, getattr(protocols, name)), (thing, name)


def test_200_points_with_20_excursions_keep_no_bad_point(
    labs: ModuleType, engine: tuple[Any, Documents], tmp_path: Path
) -> None:
    run, documents = engine
    suspenders = importlib.import_module("bluesky.suspenders")
    with labs.Lab(excursions=labs.excursions_of(20), late=True) as lab:
        window = PointWindow(lab.watch, [CLOCK])
        detector = labs.Detector(lab)
        run.install_suspender(suspenders.SuspendBoolLow(GoodSignal(lab.watch, [CLOCK])))
        run.record_interruptions = True
        tries = []

        def points() -> Any:
            for _ in range(200):
                tries.append((yield from plans().good_point([detector], window)))

        run(wrapped(points()))
    events = documents.events("primary")
    assert [event["seq_num"] for event in events] == list(range(1, 201))
    for event in events:
        data = event["data"]
        assert data["window_good"] == 1
        assert not lab.is_out(data["window_start_ns"], data["window_stop_ns"])
        assert not lab.is_out(data["det_start_ns"], data["det_stop_ns"])
        assert data["window_start_ns"] <= data["det_start_ns"] < data["det_stop_ns"]
        assert data["det_stop_ns"] <= data["window_stop_ns"]
    # The excursions were there, and met.
    assert max(e["data"]["window_stop_ns"] for e in events) - lab.bench.start_ns > 300 * S
    assert documents.events("interruptions")
    assert sum(tries) >= 200
    assert documents.all[0][0] == "start"
    assert documents.all[-1][0] == "stop"


def test_a_start_in_bad_light_waits(labs: ModuleType, engine: tuple[Any, Documents]) -> None:
    run, documents = engine
    suspenders = importlib.import_module("bluesky.suspenders")
    with labs.Lab(excursions=set(range(60)), pace_s=2e-3) as lab:
        signal = GoodSignal(lab.watch, [CLOCK])
        run.install_suspender(suspenders.SuspendBoolLow(signal))
        assert signal.get() == 0
        run(wrapped(stubs().trigger_and_read([TransitionDevice(lab.watch, CLOCK)])))
    (event,) = documents.events("primary")
    assert event["data"]["clock729_good"] == 1
    assert event["data"]["clock729_t_ns"] - lab.bench.start_ns >= 60 * S


def test_monitoring_tells_every_gate_once_also_after_a_suspension(
    labs: ModuleType, engine: tuple[Any, Documents]
) -> None:
    run, documents = engine
    suspenders = importlib.import_module("bluesky.suspenders")
    with labs.Lab(excursions=labs.excursions_of(2, first=20, every=40), pace_s=1e-3) as lab:
        device = TransitionDevice(lab.watch, CLOCK)
        detector = labs.Detector(lab, gates=10)
        run.install_suspender(suspenders.SuspendBoolLow(GoodSignal(lab.watch, [CLOCK])))

        def plan() -> Any:
            yield from stubs().monitor(device, name="light")
            for _ in range(10):
                yield from stubs().checkpoint()
                yield from stubs().trigger_and_read([detector])
            yield from stubs().unmonitor(device)

        run(wrapped(plan()))
    times = [event["data"]["clock729_t_ns"] for event in documents.events("light")]
    assert len(times) > 80
    assert len(set(times)) >= len(times) - 4  # the level is told again when it is subscribed again
    assert np.diff(sorted(set(times))).max() <= 30 * S


def test_subscribing_twice_is_subscribing_once(labs: ModuleType) -> None:
    lab = labs.Lab()
    heard: list[Any] = []
    device, signal = TransitionDevice(lab.watch, CLOCK), GoodSignal(lab.watch, [CLOCK])
    levels: list[int] = []

    def level(value: int, timestamp: float) -> None:
        levels.append(value)

    device.subscribe(heard.append)
    device.subscribe(heard.append)
    signal.subscribe(level, event_type="value", run=False)
    signal.subscribe(level, run=True)
    before = len(heard)
    lab.gate()
    assert len(heard) == before + 1
    assert levels == [0, 1]
    lab.bench.clock.advance_ns(100 * S)  # no gate any more: the level falls by age alone
    lab.watch.look()
    assert levels == [0, 1, 0]
    assert heard[-1]["clock729_good"]["value"] == -1
    device.clear_sub(heard.append)
    signal.clear_sub(level)
    before = len(heard)
    lab.gate()
    assert (len(heard), levels) == (before, [0, 1, 0])


def test_a_run_carries_its_gates_as_external_hdf5(
    labs: ModuleType, engine: tuple[Any, Documents], tmp_path: Path
) -> None:
    run, documents = engine
    with labs.Lab(out=tmp_path / "trace") as lab:
        flyer = TransitionFlyer(lab.watch, CLOCK, tmp_path / "trace", tmp_path / "runs")
        device, detector = TransitionDevice(lab.watch, CLOCK), labs.Detector(lab)

        def points() -> Any:
            for _ in range(3):
                yield from stubs().trigger_and_read([detector, device])

        run(plans().with_gates(wrapped(points()), [flyer]))
        run(plans().with_gates(wrapped(points()), [flyer]))  # and again with the same flyer
    resources, data = documents.named("stream_resource"), documents.named("stream_datum")
    assert len(resources) == len(data) == 8
    widths = {(d["indices"]["stop"], d["seq_nums"]["stop"]) for d in data[:4]}
    assert len(widths) == 1
    descriptors = {d["uid"]: d["name"] for d in documents.named("descriptor")}
    assert {descriptors[d["descriptor"]] for d in data} == {"clock729_gates"}
    columns = {}
    for resource in resources[:4]:
        with h5py.File(unquote(urlparse(resource["uri"]).path), "r") as file:
            columns[resource["data_key"]] = file[resource["parameters"]["dataset"]][()]
    rows = data[0]["indices"]["stop"]
    assert {len(column) for column in columns.values()} == {rows}
    assert (np.diff(columns["clock729_gates_t_ns"]) == S).all()
    assert set(columns["clock729_gates_state"]) == {1}
    keys = next(
        d["data_keys"] for d in documents.named("descriptor") if d["name"] == "clock729_gates"
    )
    assert {key["external"] for key in keys.values()} == {"STREAM:"}
    for key, column in columns.items():
        assert np.dtype(keys[key]["dtype_numpy"]) == column.dtype


def test_a_set_point_refuses_unless_it_was_enabled() -> None:
    written: list[float] = []
    point = SetPoint("lo", written.append, lambda: written[-1], (79e6, 81e6))
    with pytest.raises(RefusedError, match="not enabled"):
        point.set(80e6)
    assert written == []
    point.enabled = True
    with pytest.raises(RefusedError, match="outside"):
        point.set(82e6)
    with pytest.raises(RefusedError, match="outside"):
        point.set(float("nan"))
    assert point.set(80.5e6).success
    assert written == [80.5e6]
    assert point.locate() == {"setpoint": 80.5e6, "readback": 80.5e6}
    broken = SetPoint("x", lambda _: 1 / 0, lambda: 0.0, (0.0, 1.0), enabled=True)  # type: ignore[arg-type,return-value]
    assert isinstance(broken.set(0.5).exception(), ZeroDivisionError)


def test_a_status_calls_back_also_when_it_is_done_already() -> None:
    status, called = DeviceStatus(), []
    status.add_callback(called.append)
    with pytest.raises(TimeoutError):
        status.exception(0.0)
    assert not status.done
    status.finish()
    status.finish(ValueError("too late"))
    status.add_callback(called.append)
    assert called == [status, status]
    assert status.success


def test_what_a_window_refuses(labs: ModuleType) -> None:
    lab = labs.Lab()
    window = PointWindow(lab.watch, [CLOCK])
    with pytest.raises(InputError, match="no window is finished"):
        window.read()
    assert isinstance(window.trigger().exception(), InputError)
    with pytest.raises(ValueError, match="no transition"):
        GoodSignal(lab.watch, [])
    with pytest.raises(InputError, match="no transition 'x'"):
        TransitionDevice(lab.watch, "x")


def test_the_watch_has_a_thread_of_its_own_and_outlives_a_callback_that_fails(
    labs: ModuleType, caplog: pytest.LogCaptureFixture
) -> None:
    import threading

    seen = threading.Event()

    def broken() -> None:
        raise RuntimeError("broken")

    with Watch(labs.Lab().session, period_s=0.001) as watch:
        watch.add(broken)
        watch.add(seen.set)
        assert seen.wait(5)
    assert "a callback failed" in caplog.text
