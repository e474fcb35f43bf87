"""The real records are skipped with a reason at a desk and never passed over under CI."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture
def cache() -> ModuleType:
    path = Path(__file__).parent / "sdist_cache.py"
    spec = importlib.util.spec_from_file_location("sdist_cache_under_test", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize(
    ("ci", "outcome"), [("", pytest.skip.Exception), ("1", pytest.fail.Exception)]
)
def test_no_index_answers(
    cache: ModuleType,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    ci: str,
    outcome: type[BaseException],
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.setenv("CI", ci)
    monkeypatch.setattr(cache, "_download", lambda folder: "no index")
    with pytest.raises(outcome, match="cannot be had: no index"):
        cache.allantools_sdist()


def test_what_is_unpacked_is_not_fetched_again(
    cache: ModuleType, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    folder = tmp_path / "labref-tests" / f"allantools-{cache.RELEASE}"
    (folder / "tests").mkdir(parents=True)
    assert cache.allantools_sdist() == folder
