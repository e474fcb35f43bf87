"""The layout as one text in the file: what a reader needs first, at the cost of one attribute.

The same facts stand as attributes beside the data, for everybody's tools; reading those of all
series would make opening a year of files slow.
"""

from __future__ import annotations

import json
from fractions import Fraction
from typing import Any

from labref.model.exact import exact_text
from labref.trace.layout import ChannelColumn, TraceLayout, TransitionColumn


def layout_to_text(layout: TraceLayout) -> str:
    """Return ``layout`` without its lab text as JSON; exact values are texts."""
    return json.dumps(
        {
            "channels": [_plain(column) for column in layout.channels],
            "transitions": [_plain(column) for column in layout.transitions],
            "versions": dict(layout.versions),
        }
    )


def _plain(column: ChannelColumn | TransitionColumn) -> dict[str, Any]:
    values = dict(vars(column))
    values["attributes"] = {
        key: value.item() if hasattr(value, "item") else value
        for key, value in column.attributes.items()
    }
    for key in ("nominal", "target"):
        if key in values:
            values[key] = exact_text(values[key])
    return values


def layout_from_text(text: str, lab_text: str) -> TraceLayout:
    """Inverse of `layout_to_text`. Raises ValueError, KeyError or TypeError for other text."""
    values = json.loads(text)
    channels = [ChannelColumn(**_exact(column)) for column in values["channels"]]
    transitions = [TransitionColumn(**_exact(column)) for column in values["transitions"]]
    return TraceLayout(tuple(channels), tuple(transitions), lab_text, values["versions"])


def _exact(values: dict[str, Any]) -> dict[str, Any]:
    for key in ("nominal", "target"):
        if key in values:
            values[key] = Fraction(values[key])
    return values
