"""Years of traces: a catalogue over a Parquet side-car, and a map over files for heavy work.

    labref archive build FOLDER
    labref archive window FOLDER --name clock729 --start 2026-11-01T03:00:00Z --for 10s
    labref archive days FOLDER --name clock729
    labref archive deviations FOLDER --name clock729 --workers 2
    labref archive sql FOLDER "select name, count(*) from samples group by name"
    labref archive thin FOLDER --older-than 365d

The HDF5 files stay the truth: the side-car is made from them at any time, and only from files that
changed. DuckDB answers over it. A damaged file is named and never stops the rest. Needs the extra
``archive``; a Dask cluster (``--cluster``) the extra ``distributed``.
"""

from __future__ import annotations

from labref_archive.query import Archive
from labref_archive.sidecar import Built, build

__all__ = ["Archive", "Built", "build"]
