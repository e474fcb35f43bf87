"""Coverage-guided fuzzing of one parser: ``python fuzz.py NAME SECONDS FOLDER`` (package atheris).

Ends with 0 when every input was a value or a ReplyError; anything else ends the process with the
input that did it. Prints the number of inputs as its last line.
"""

from __future__ import annotations

import contextlib
import importlib.util
import os
import sys
import time
from pathlib import Path
from types import ModuleType

import atheris


def _load() -> ModuleType:
    path = Path(__file__).with_name("test_any_bytes.py")
    spec = importlib.util.spec_from_file_location("any_bytes", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def main(name: str, seconds: float, folder: str) -> None:
    """Fuzz the parser ``name`` of `test_any_bytes.PARSERS`; ``folder`` may be written to."""
    with atheris.instrument_imports(include=["labref"]):
        module = _load()
    from labref.model.errors import ReplyError

    parse, seeds = module.PARSERS[name]
    end_s = time.monotonic() + seconds
    count = 0

    def one(data: bytes) -> None:
        nonlocal count
        if time.monotonic() > end_s:
            print(f"{name}: {count} inputs", flush=True)  # noqa: T201  # for the test
            os._exit(0)  # libFuzzer takes an exception for a crash, this one too
        count += 1
        with contextlib.suppress(ReplyError):
            parse(data)

    corpus = Path(folder, "corpus")
    corpus.mkdir()
    for number, intact in enumerate(seeds):
        (corpus / str(number)).write_bytes(intact)
    options = ["-verbosity=0", "-max_len=400", f"-artifact_prefix={folder}/"]
    atheris.Setup([sys.argv[0], *options, str(corpus)], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main(sys.argv[1], float(sys.argv[2]), sys.argv[3])
