"""TLS and a password, from configuration: the right ones get in, others do not."""

from __future__ import annotations

import subprocess
from pathlib import Path
from typing import Any

import pytest

from labref.model.errors import LinkError

pytest.importorskip("paho.mqtt.client")

from labref_mqtt.changes import ChangeDesk


@pytest.fixture
def secured(tmp_path: Path, need_program: Any, broker: Any) -> Any:
    """The broker of this folder again, with a certificate of its own and one user."""
    openssl, passwd = need_program("openssl"), need_program("mosquitto_passwd")
    key, certificate = tmp_path / "key.pem", tmp_path / "ca.pem"
    request = ["req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=lab"]
    names = ["-addext", "subjectAltName=IP:127.0.0.1"]
    files = ["-keyout", str(key), "-out", str(certificate)]
    subprocess.run([openssl, *request, *names, *files], check=True, capture_output=True)
    subprocess.run(
        [passwd, "-b", "-c", str(tmp_path / "users"), "lab", "invented"],
        check=True,
        capture_output=True,
    )
    secret = tmp_path / "secret"
    secret.write_text("invented")
    secret.chmod(0o600)
    broker.kill()
    broker.configure(
        f"listener {broker.port} 127.0.0.1\nallow_anonymous false\nuser root\n"
        f"password_file {tmp_path}/users\ncertfile {certificate}\nkeyfile {key}\n"
    )
    broker.start()
    return broker


def test_only_with_the_password_and_the_right_certificate(secured: Any, tmp_path: Path) -> None:
    base = f"mqtts://127.0.0.1:{secured.port}/labref/x"
    authority = f"ca={tmp_path}/ca.pem"
    right = f"{base}?{authority}&user=lab&password_file={tmp_path}/secret"
    with ChangeDesk(right) as desk:
        assert desk.changes() == []
    for wrong in (f"{base}?{authority}", f"{base}?user=lab&password_file={tmp_path}/secret"):
        with pytest.raises(LinkError), ChangeDesk(wrong):
            pass
