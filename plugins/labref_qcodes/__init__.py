"""labref as a QCoDeS instrument: per transition offset, nominal, state and reason.

    reference = LaserReference("lasers", session=session)       # in a script
    reference.clock729_offset_hz()                              # float, from the exact nominal
    reference.clock729_good()                                   # 1, 0, or -1: unknown

In a station file: ``type: labref_qcodes.LaserReference``, with ``init: {trace: night/trace}``: then
it reads the trace that a session in another process writes. qcodes is imported when an instrument
is made, and not before. An absolute optical frequency never is one float: the nominal is exact
text (and an integer where it is one), the offset a float beside it.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from labref_qcodes.values import Source, parameters_of

if TYPE_CHECKING:
    LaserReference: Any

__all__ = ["LaserReference", "make_class", "parameters_of"]


def make_class(instrument: type, source: Any = Source) -> type:
    """Return `LaserReference` on top of ``instrument``: QCoDeS's Instrument, or one like it."""

    class LaserReference(instrument):  # type: ignore[misc]
        """All transitions of a running ``session``, or of a ``trace`` that is being written."""

        def __init__(self, name: str, session: Any = None, trace: Any = None, **more: Any) -> None:
            super().__init__(name, **more)
            self._source = source(session, trace)
            for parameter in parameters_of(self._source):
                self.add_parameter(
                    parameter.name,
                    get_cmd=parameter.get,
                    set_cmd=False,
                    unit=parameter.unit,
                    label=parameter.label,
                    docstring=parameter.text,
                )

        def get_idn(self) -> dict[str, str | None]:
            """What this is: no hardware of its own."""
            version = importlib.import_module("labref").__version__
            return {"vendor": "labref", "model": "session", "serial": None, "firmware": version}

    LaserReference.__module__ = __name__
    LaserReference.__qualname__ = "LaserReference"
    return LaserReference


def __getattr__(name: str) -> Any:
    """Make `LaserReference` when it is first asked for (PEP 562)."""
    if name != "LaserReference":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    made = make_class(importlib.import_module("qcodes.instrument").Instrument)
    globals()[name] = made
    return made
