"""A QCoDeS measurement with the laser's offset, state and reason beside it.

python examples/qcodes_measurement.py
"""

import tempfile
from pathlib import Path

from invented_lab import invented_session
from qcodes.dataset import (
    Measurement,
    initialise_or_create_database_at,
    load_or_create_experiment,
)

from labref_qcodes import LaserReference

with tempfile.TemporaryDirectory() as folder, invented_session(Path(folder) / "trace") as session:
    initialise_or_create_database_at(f"{folder}/data.db")
    load_or_create_experiment("labref", "invented")
    session.wait_good("clock729", 10)
    # --- what a user writes
    lasers = LaserReference("lasers", session=session)
    offset, good = lasers.clock729_offset_hz, lasers.clock729_good
    measurement = Measurement()
    measurement.register_parameter(offset)
    measurement.register_parameter(good)
    with measurement.run() as saver:
        for _ in range(5):
            saver.add_result((offset, offset()), (good, good()))
    # --- end
    print(f"{saver.dataset.number_of_results} results")
    lasers.close()
