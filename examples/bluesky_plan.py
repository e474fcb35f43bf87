"""A Bluesky run that keeps only good points and carries its gates along as external HDF5.

python examples/bluesky_plan.py
"""

import tempfile
from pathlib import Path

from bluesky import RunEngine
from bluesky.preprocessors import run_wrapper
from bluesky.suspenders import SuspendBoolLow
from invented_lab import invented_session

from labref_bluesky import GoodSignal, PointWindow, TransitionDevice, TransitionFlyer, Watch
from labref_bluesky.plans import good_point, with_gates

with tempfile.TemporaryDirectory() as folder, invented_session(Path(folder) / "trace") as session:
    names: list[str] = []
    engine = RunEngine({}, context_managers=[])
    engine.subscribe(lambda name, _document: names.append(name))
    # --- what a user writes
    with Watch(session) as watch:
        detectors = [TransitionDevice(watch, "clock729")]
        window = PointWindow(watch, ["clock729"])
        flyer = TransitionFlyer(watch, "clock729", f"{folder}/trace", f"{folder}/runs")
        engine.install_suspender(SuspendBoolLow(GoodSignal(watch, ["clock729"])))
        plan = (message for _ in range(10) for message in good_point(detectors, window))
        engine(with_gates(run_wrapper(plan), [flyer]))
    # --- end
    for name in dict.fromkeys(names):
        print(f"{name:16} {names.count(name)}")
