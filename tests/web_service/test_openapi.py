"""The OpenAPI document against the service, by a generator of requests (schemathesis).

Unlike `test_malformed.py` it knows the document: it sends what is described and what is not, and
holds every status, type and body against what is promised.
"""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

# Two things cannot be said in a schema: that a window ends after it begins (422), and that
# nanoseconds are written without a point, where 1.0 is an integer to JSON Schema (400). What is
# wrong may also be too long (414). The stream never ends, and test_stream.py is about it.
ANY_NAME = """
[checks.positive_data_acceptance]
expected-statuses = ["2xx", "401", "403", "404", "409", "422"]

[checks.negative_data_rejection]
expected-statuses = ["400", "401", "403", "404", "405", "409", "413", "414", "415", "422"]

[[operations]]
include-path = "/api/v1/readings"
checks.positive_data_acceptance.expected-statuses = ["2xx", "400", "403", "404", "422"]
"""
NAMED = f"""{ANY_NAME}
[parameters]
"path.name" = "clock729"
"""


def conform(served: Any, folder: Path, examples: int, config: str, phases: str, token: str) -> int:
    """Put so many requests to every operation; how many there were. Fails with the report."""
    (folder / "schemathesis.toml").write_text(config)
    program = Path(sys.executable).with_name("st")
    command = [str(program), "--config-file", str(folder / "schemathesis.toml"), "--no-color"]
    command += ["run", f"{served.url}openapi.json", "--exclude-path", "/api/v1/stream"]
    command += ["--max-examples", str(examples), "--phases", phases, "--no-shrink"]
    command += ["--generation-deterministic"]
    command += ["--header", f"Authorization: Bearer {token}"] if token else []
    command += ["--suppress-health-check", "all", "--request-timeout", "30"]
    run = subprocess.run(command, capture_output=True, text=True, cwd=folder, check=False)
    assert run.returncode == 0, run.stdout[-6000:] + run.stderr[-2000:]
    found = re.search(r"(\d[\d,]*) generated", run.stdout)
    assert found, run.stdout[-3000:]
    return int(found[1].replace(",", ""))


def acting(wb: Any) -> Any:
    """A service that may act, on an actuator of straw."""
    terms = wb.Terms("127.0.0.1", 0, frozenset(), "", wb.ACT, True)
    return wb.Served(terms=terms, runner=wb.Runner(remote=True))


def test_what_is_described_is_what_is_done(
    wb: Any, tmp_path: Path, need_package: Callable[[str], None]
) -> None:
    need_package("schemathesis")
    with acting(wb) as served:
        served.gates(30)
        assert conform(served, tmp_path, 3, NAMED, "fuzzing", wb.ACT) > 50


@pytest.mark.long
@pytest.mark.parametrize("config", [ANY_NAME, NAMED], ids=["any name", "the name that is there"])
def test_what_is_described_is_what_is_done_many_times(wb: Any, tmp_path: Path, config: str) -> None:
    with acting(wb) as served:
        served.gates(30)
        sent = conform(served, tmp_path, 200, config, "examples,coverage,fuzzing", wb.ACT)
        print(sent, "requests")  # noqa: T201
