"""What reading a lab file does not load."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

EXAMPLE = Path(__file__).parents[2] / "examples" / "ca_ion_lab.toml"
HEAVY = ("h5py", "pyvisa", "serial", "allantools", "scipy", "rich", "matplotlib", "pluggy")


def test_a_lab_is_loaded_without_the_heavy_packages() -> None:
    code = (
        "import sys\nfrom labref.config.lab import load_lab\n"
        f"load_lab({str(EXAMPLE)!r})\n"
        "print(*sorted({name.partition('.')[0] for name in sys.modules}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split())
    assert "msgspec" in loaded
    assert not loaded & set(HEAVY)
