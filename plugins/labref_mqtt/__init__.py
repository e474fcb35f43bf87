"""Several hosts: states, frequencies, alarms and channels over MQTT. Off without ``[mqtt]``.

    [mqtt]
    broker = "mqtt://192.0.2.5:1883/labref/site/comb_host"
    channels = ["f_rep", "f_ceo"]         # gates that other hosts may subscribe

    [instruments.comb_host]               # on a laser table: the other side
    address = "mqtt://192.0.2.5:1883/labref/site/comb_host"
    dialect = "shared-channels"

Topics below the address's path, every payload one JSON object:

    alive                   retained; the last will says false
    transition/NAME/state   retained, QoS 1: state, since, reason, clears, nominal and offset
    channel/NAME            QoS 1: gates as blocks, exact nominal as text
    alarm/SUBJECT           QoS 1: raised and cleared
    ask, answer/WHO         the question for the other clock
    change/NUMBER           retained: a change of a shared channel, announced, made or withdrawn
    consent/NUMBER/WHO, subscriber/WHO   retained

All times are integer ns UTC and ISO text. Whoever reads states believes a retained one only after
a live one has confirmed it: `Follower` does. Nothing here moves an output.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from labref.hookspecs import hookimpl
from labref.model.readings import Readings
from labref.model.result import Result
from labref.model.verdict import Alarm
from labref_mqtt.follower import Follower
from labref_mqtt.publisher import Publisher
from labref_mqtt.table import MqttTable
from labref_mqtt.wire import mqtt_wire

__all__ = ["Follower", "MqttTable", "Publishing"]


class Publishing:
    """The plugin: one publisher while a session runs, where the lab file asks for it."""

    def __init__(self) -> None:
        self._publisher: Publisher | None = None

    @hookimpl
    def register_tables(self) -> Mapping[str, Any]:
        """The table ``[mqtt]``."""
        return {"mqtt": MqttTable}

    @hookimpl
    def register_transports(self) -> Mapping[str, Callable[..., Any]]:
        """Addresses that begin with mqtt:// or mqtts://."""
        return {"mqtt://": mqtt_wire, "mqtts://": mqtt_wire}

    @hookimpl
    def on_start(self, lab: Any) -> None:
        """Connect, in a thread of its own."""
        self._end("restarted")
        table = lab.tables.get("mqtt")
        if table is not None:
            self._publisher = Publisher(table, lab)
            self._publisher.start()

    @hookimpl
    def on_readings(self, readings: Sequence[Readings]) -> None:
        """Hand the shared channels' gates over; never waits."""
        if self._publisher is not None:
            self._publisher.readings(readings)

    @hookimpl
    def on_results(self, results: Sequence[Result]) -> None:
        """Hand the newest state of each transition over; never waits."""
        if self._publisher is not None:
            self._publisher.results(results)

    @hookimpl
    def on_alarm(self, alarm: Alarm) -> None:
        """Hand an alarm over; never waits."""
        if self._publisher is not None:
            self._publisher.alarm(alarm)

    @hookimpl
    def on_stop(self, reason: str) -> None:
        """Say that nothing is known any more, and end."""
        self._end(reason)

    def _end(self, reason: str) -> None:
        if self._publisher is not None:
            self._publisher.stop(reason)
            self._publisher = None


plugin = Publishing()
