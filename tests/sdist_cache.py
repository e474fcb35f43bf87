"""The source distribution of allantools, which ships real records with published results.

It is LGPL and not part of this package: it is downloaded when a test first needs it, through
the ordinary package client, and kept in the user's cache directory. Some of its folders carry a
maker's name; tests reach them by pattern.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tarfile
import tempfile
from functools import lru_cache
from pathlib import Path

import pytest

RELEASE = "2024.6"
_PATIENCE_S = 120


def allantools_sdist() -> Path:
    """Return the unpacked source distribution.

    Skips the test, with the reason, if no package index answers; fails it when CI is set, so
    that a continuous build never passes without the real records.
    """
    found = _unpacked()
    if isinstance(found, Path):
        return found
    if os.environ.get("CI"):
        pytest.fail(found)
    pytest.skip(found)


def _cache() -> Path:
    home = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(home) / "labref-tests"


@lru_cache(maxsize=1)
def _unpacked() -> Path | str:
    """Return the folder, or why there is none."""
    root = _cache() / f"allantools-{RELEASE}"
    if (root / "tests").is_dir():
        return root
    _cache().mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=_cache()) as scratch:
        reason = _download(Path(scratch))
        archives = sorted(Path(scratch).glob("*.tar.gz"))
        if not archives:
            return f"the allantools {RELEASE} source distribution cannot be had: {reason}"
        with tarfile.open(archives[0]) as archive:
            archive.extractall(scratch, filter="data")
        fresh = next(path for path in Path(scratch).iterdir() if (path / "tests").is_dir())
        if not root.exists():  # another worker may have been faster
            try:
                fresh.rename(root)
            except OSError:
                if not root.is_dir():
                    raise
    return root


def _download(folder: Path) -> str:
    """Download the archive into `folder`; return the last words of the client."""
    words = ""
    for isolation in (["--no-build-isolation"], []):
        command = [sys.executable, "-m", "pip", "download", "--no-deps", "--no-binary", ":all:"]
        command += [*isolation, "-q", "-d", str(folder), f"allantools=={RELEASE}"]
        try:
            done = subprocess.run(
                command, capture_output=True, text=True, timeout=_PATIENCE_S, check=False
            )
        except subprocess.TimeoutExpired:
            return f"no answer within {_PATIENCE_S} s"
        if done.returncode == 0:
            return ""
        words = done.stderr.strip()[-300:]
    return words
