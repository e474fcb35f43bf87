"""Addresses of brokers: ``mqtt://HOST:PORT/TOPIC?user=…&password_file=…&ca=…``.

A password never stands in an address or a lab file: ``password_file`` names a file that only its
owner can read.
"""

from __future__ import annotations

import importlib
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, unquote, urlsplit

from labref.model.errors import InputError, LinkError

_PORTS = {"mqtt": 1883, "mqtts": 8883}
_OPTIONS = ("ca", "password_file", "user")


@dataclass(frozen=True, slots=True)
class Broker:
    """Where a broker is, how to get in, and below which topic a session speaks."""

    host: str
    port: int
    topic: str
    tls: bool = False
    user: str | None = None
    password_file: str | None = None
    ca: str | None = None


def parse(address: str) -> Broker:
    """Return what ``address`` says. Raises InputError saying what is missing."""
    parts = urlsplit(address)
    if parts.scheme not in _PORTS or not parts.hostname:
        raise InputError(f"{address!r} is no mqtt://HOST:PORT/TOPIC")
    topic = unquote(parts.path).strip("/")
    if not topic or any(sign in topic for sign in "+#\0") or "//" in topic:
        raise InputError(f"{address!r}: the path is the topic of one session, without + and #")
    if parts.password is not None or parts.username is not None:
        raise InputError(f"{address!r}: no password in an address; say ?user=…&password_file=…")
    options = parse_qs(parts.query, keep_blank_values=True)
    for key, values in options.items():
        if key not in _OPTIONS or len(values) != 1 or not values[0]:
            raise InputError(f"{address!r}: {key!r}: known are {', '.join(_OPTIONS)}, once each")
    try:
        port = parts.port or _PORTS[parts.scheme]
    except ValueError as error:
        raise InputError(f"{address!r}: {error}") from None
    chosen = {key: values[0] for key, values in options.items()}
    return Broker(parts.hostname, port, topic, parts.scheme == "mqtts", **chosen)


def make_client(broker: Broker) -> Any:
    """Return a paho client for ``broker``, not connected.

    Raises InputError where paho-mqtt is missing, LinkError for a password file or certificate
    that cannot be used.
    """
    try:
        mqtt = importlib.import_module("paho.mqtt.client")
    except ImportError:
        raise InputError("MQTT needs paho-mqtt: install labref[mqtt]") from None
    # A client of this module keeps unacknowledged messages of its own over a reconnection.
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
    if broker.user is not None:
        client.username_pw_set(broker.user, _password(broker.password_file))
    if broker.tls:
        try:
            client.tls_set(ca_certs=broker.ca)
        except (OSError, ValueError) as error:
            raise LinkError(f"{broker.host}: certificate: {error}") from None
    return client


def _password(name: str | None) -> str | None:
    if name is None:
        return None
    path = Path(name).expanduser()
    try:
        if path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
            raise LinkError(f"{path}: others can read it: chmod 600")
        return path.read_text(encoding="utf-8").strip()
    except OSError as error:
        raise LinkError(f"{path}: {error.strerror}") from None
