"""Masks of the telecommunication standards for primary reference clocks.

Limits in ns in the Recommendations, in s here:
    G.811 (1997) Amendment 1 (2016): primary reference clock (PRC);
    G.8272 (2018) Tables 1 to 4: primary reference time clock, classes A and B (PRTC);
    G.8272.1 (2016) Amendment 1 (2017) Tables 1 and 2: enhanced PRTC (ePRTC).
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from labref.model.errors import InputError
from labref.stability.masks import Mask, Segment

_FAR = math.inf


def _mask(name: str, statistic: str, source: str, *rows: tuple[float, float, float, float]) -> Mask:
    """Rows: from tau, to tau (s), constant (ns), slope (ns per s)."""
    pieces = tuple(Segment(low, high, 1e-9 * c, 1e-9 * slope) for low, high, c, slope in rows)
    return Mask(name, statistic, "s", pieces, source)


_ALL = (
    _mask("prc-mtie", "mtie", "ITU-T G.811", (0.1, 1e3, 25, 0.275), (1e3, _FAR, 290, 0.01)),
    _mask(
        "prc-tdev",
        "tdev",
        "ITU-T G.811",
        (0.1, 100, 3, 0),
        (100, 1e3, 0, 0.03),
        (1e3, 1e4, 30, 0),
    ),
    _mask(
        "prtc-a-mtie",
        "mtie",
        "ITU-T G.8272 Table 1",
        (0.1, 273, 25, 0.275),
        (273, _FAR, 100, 0),
    ),
    _mask(
        "prtc-b-mtie",
        "mtie",
        "ITU-T G.8272 Table 2",
        (0.1, 54.5, 25, 0.275),
        (54.5, _FAR, 40, 0),
    ),
    _mask(
        "prtc-a-tdev",
        "tdev",
        "ITU-T G.8272 Table 3",
        (0.1, 100, 3, 0),
        (100, 1e3, 0, 0.03),
        (1e3, 1e4, 30, 0),
    ),
    _mask(
        "prtc-b-tdev",
        "tdev",
        "ITU-T G.8272 Table 4",
        (0.1, 100, 1, 0),
        (100, 500, 0, 0.01),
        (500, 1e5, 5, 0),
    ),
    _mask(
        "eprtc-mtie",
        "mtie",
        "ITU-T G.8272.1 Table 1",
        (0.1, 1, 4, 0),
        (1, 100, 3.89, 0.11114),
        (100, 4e5, 15, 0.0375e-3),
        (4e5, _FAR, 30, 0),
    ),
    _mask(
        "eprtc-tdev",
        "tdev",
        "ITU-T G.8272.1 Table 2",
        (0.1, 3e4, 1, 0),
        (3e4, 3e5, 0, 3.33333e-5),
        (3e5, 1e6, 10, 0),
    ),
)

ITU_MASKS: Mapping[str, Mask] = {mask.name: mask for mask in _ALL}


def itu_mask(name: str) -> Mask:
    """Return a mask by name.

    Raises:
        InputError: no such mask; the text lists what there is.
    """
    if name not in ITU_MASKS:
        raise InputError(f"no mask {name!r}; there are: {', '.join(ITU_MASKS)}")
    return ITU_MASKS[name]
