"""Shots in a plain script: good before, its record afterwards, and which of them to keep.

python examples/shot_script.py
"""

import tempfile
import time
from pathlib import Path

from invented_lab import invented_session

from labref.model.shot_select import select


def experiment() -> None:
    """Invented: whatever the lab does in a shot."""
    time.sleep(0.03)


with tempfile.TemporaryDirectory() as folder, invented_session(Path(folder) / "trace") as session:
    records = []
    # --- what a user writes
    for number in range(12):
        with session.shot(f"shot {number}", ["clock729"], wait_good_s=10) as shot:
            experiment()
        records.append(shot.record(timeout_s=5))
    kept = select(records, ["clock729"], margin_hz=100.0)
    # --- end
    for record, keep in zip(records, kept, strict=True):
        mean = record["clock729"]
        print(
            f"{record.shot:8} {mean.state.word:8} {mean.detuning_hz:+12.3f} Hz "
            f"u {mean.u_hz:9.3f} Hz {'kept' if keep else mean.reason}"
        )
