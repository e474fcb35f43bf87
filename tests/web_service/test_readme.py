"""What the README says of the service works as written."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from labref.config.lab import parse_lab
from labref.plugins import load_plugins
from labref.testing.labs import comb_lab
from labref_web.table import terms_of

README = Path(__file__).parents[2] / "README.md"


@pytest.fixture
def section() -> str:
    return README.read_text("utf-8").split("**Serve it**")[1].split("**Be told**")[0]


def blocks(section: str) -> list[str]:
    """The indented blocks, without their indentation."""
    found = re.findall(r"(?:^    .*\n)+", section, re.MULTILINE)
    return [re.sub(r"^    ", "", block, flags=re.MULTILINE) for block in found]


def test_the_shell_lines_answer(wb: Any, section: str, need_program: Callable[[str], str]) -> None:
    need_program("curl")
    with wb.Served() as served:
        served.gates(3)
        for line in blocks(section)[0].splitlines():
            command = line.replace("127.0.0.1:8729", f"127.0.0.1:{served.port}").split()
            run = subprocess.Popen(command, stdout=subprocess.PIPE)
            assert run.stdout is not None
            found = b""
            while b'"clock729"' not in found:
                part = run.stdout.read1()
                assert part, (line, found)
                found += part
            run.kill()
            run.wait()
            run.stdout.close()


def test_the_client_lines_run(wb: Any, section: str) -> None:
    with wb.Served() as served:
        served.gates(5)
        code = blocks(section)[1].replace("127.0.0.1:8729", f"127.0.0.1:{served.port}")
        code = code.replace('")', '", timeout_s=20)', 1)  # a loaded machine is no lost server
        code = code.replace('"cooling397", ', "").replace("timeout_s=60", "timeout_s=5")
        start = served.bench.start_ns
        found: dict[str, Any] = {"start_ns": start, "stop_ns": start + 3 * wb.S}
        exec(code, found)
        assert found["client"].is_good("clock729") is True


def test_the_table_is_understood(tmp_path: Path, section: str) -> None:
    for name in ("read", "act"):
        path = tmp_path / f"{name}.token"
        path.write_text(f"{name}-token-of-the-test")
        path.chmod(0o600)
    text = f"{comb_lab()}\n{blocks(section)[2]}"
    lab = parse_lab(text, str(tmp_path / "lab.toml"), load_plugins(["web"]).tables())
    terms = terms_of(lab, None)
    assert (terms.host, terms.acting, terms.read_token) == (
        "192.0.2.7",
        False,
        "read-token-of-the-test",
    )
