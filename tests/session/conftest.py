"""Fixtures of the session's tests: recorded logs from their text, nights with their truth."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from types import ModuleType

import pytest

from labref.config.schema import LogTable
from labref.model.channel import Channel
from labref.model.readings import Readings, join
from labref.model.times import NS_PER_S
from labref.session.recorded import RecordedLog

CHANNELS = {
    "beat": Channel("beat", Fraction(60_000_000)),
    "ceo": Channel("ceo", Fraction(20_000_000)),
    "slow": Channel("slow", Fraction(5), gate_ns=10 * NS_PER_S),
    "held": Channel("held", Fraction(80_000_000), hold_ns=3600 * NS_PER_S),
}

ReadLog = Callable[..., tuple[dict[str, Readings], RecordedLog]]


@pytest.fixture
def read_log(tmp_path: Path) -> ReadLog:
    """``read_log(text, table, block, name)`` gives all readings by channel, and the log."""

    def read(
        text: str | bytes, table: LogTable, block: int = 3600, name: str = "log.txt"
    ) -> tuple[dict[str, Readings], RecordedLog]:
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        log = RecordedLog(path, table, CHANNELS, block)
        blocks = [readings for block in log for readings in block]
        names = {readings.channel for readings in blocks}
        return {name: join([b for b in blocks if b.channel == name]) for name in names}, log

    return read


@pytest.fixture(scope="session")
def truth() -> ModuleType:
    """truth.py beside this file: invented nights through the pass, with the truth beside."""
    spec = importlib.util.spec_from_file_location("truth", Path(__file__).parent / "truth.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["truth"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def sdist() -> Path:
    """The allantools source distribution: real records with shipped results."""
    path = Path(__file__).parent.parent / "sdist_cache.py"
    spec = importlib.util.spec_from_file_location("sdist_cache", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    folder: Path = module.allantools_sdist()
    return folder
