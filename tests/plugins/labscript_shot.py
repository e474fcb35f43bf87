"""One shot from compilation to record, in the Python of the labscript suite.

``python labscript_shot.py SHOT.h5 TRACE START_NS STOP_NS``: makes the suite's profile, compiles a
shot with dummy devices, does to the file what running it does, and lets ``labref_shotfile`` write
while the suite's own lock replaces h5py.File. Prints one JSON object.
"""

from __future__ import annotations

import contextlib
import io
import json
import sys
from pathlib import Path


def make_profile() -> None:
    """Make the suite's configuration files where `test_labscript.py` lets it look for them."""
    from labscript_profile.create import create_profile

    with contextlib.redirect_stdout(io.StringIO()):
        create_profile()


def compile_shot(path: Path) -> None:
    """Compile a shot of one second with one digital and one analog output."""
    from labscript import AnalogOut, DigitalOut, labscript_init, start, stop
    from labscript_devices.DummyIntermediateDevice import DummyIntermediateDevice
    from labscript_devices.DummyPseudoclock.labscript_devices import DummyPseudoclock

    labscript_init(str(path), new=True, overwrite=True)
    clock = DummyPseudoclock(name="clock")
    device = DummyIntermediateDevice(name="device", parent_device=clock.clockline)
    shutter = DigitalOut(name="shutter", parent_device=device, connection="port0/line0")
    level = AnalogOut(name="level", parent_device=device, connection="ao0")
    start()
    shutter.go_high(0.1)
    level.ramp(0.2, duration=0.5, initial=0.0, final=1.0, samplerate=100)
    stop(1.0)


def main(path: Path, trace_folder: Path, window: tuple[int, int]) -> None:
    """Compile, run, annotate twice, read back."""
    make_profile()
    import labscript_utils.h5_lock
    import h5py  # after the lock, as the suite demands  # isort: skip

    assert labscript_utils.h5_lock is not None
    compile_shot(path)
    from labref.model.errors import InputError
    from labref.trace.reader import open_trace
    from labref_shotfile import annotate, shot_trace

    with open_trace(trace_folder) as trace:
        record = trace.shot(*window, shot="0815")
        series = trace.series("clock729", *window)
    traces = {"clock729": shot_trace(series.start_ns, series.offset, window[0])}
    told = {"patched": "h5py" not in h5py.File.__module__, "refused": ""}
    try:
        annotate(path, record, traces=traces, convention="results")
    except InputError as error:
        told["refused"] = str(error)
    with h5py.File(str(path), "r+") as file:
        before = sorted(file)
        assert "data" not in before
        file.create_group("data")  # what the sequencer does when it runs the shot
    for _ in range(2):
        annotate(path, record, traces=traces, convention="results")
    import lyse

    run = lyse.Run(str(path), no_write=True)
    told["t"], told["values"] = (a.tolist() for a in run.get_trace("labref_clock729"))
    found = run.get_results("labref", "clock729_good", "clock729_offset_hz", "shot")
    told["good"], told["offset"] = int(found[0]), float(found[1])
    told["shot"] = found[2]
    with h5py.File(str(path), "r") as file:
        told |= {"before": before, "after": sorted(file)}
    sys.stdout.write(json.dumps(told) + "\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), (int(sys.argv[3]), int(sys.argv[4])))
