"""The table ``[mqtt]`` of a lab file."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any

from msgspec import field

from labref.config.fields import ChannelName, Duration, PositiveInteger, Table, needed
from labref.model.errors import InputError
from labref_mqtt.address import parse


class MqttTable(Table, frozen=True, kw_only=True):
    """Where to publish, and which channels other hosts may subscribe.

    ``broker``: mqtt:// or mqtts://HOST:PORT/TOPIC, with ?user=, ?password_file=, ?ca= as needed.
    ``state_every_s``: how often an unchanged state is confirmed. ``waiting``: messages kept while
    the broker is away; of more the oldest are dropped: subscribers see a gap, the trace has them.
    """

    broker: Annotated[str, needed("mqtt://HOST:PORT/TOPIC of this session")]
    channels: list[ChannelName] = field(default_factory=list)
    state_every_s: Duration = 1
    waiting: PositiveInteger = 20_000

    def check_lab(self, lab: Any) -> Iterator[tuple[tuple[str, ...], str]]:  # noqa: ARG002
        """Say what does not fit."""
        try:
            parse(self.broker)
        except InputError as error:
            yield ("broker",), str(error)
