"""What all answers share."""

from __future__ import annotations

from typing import Literal

import msgspec

StateWord = Literal["good", "bad", "unknown"]


class Answer(msgspec.Struct, frozen=True, kw_only=True):
    """Base of every answer."""
