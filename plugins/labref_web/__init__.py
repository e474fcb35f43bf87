"""The service: a session's answers over HTTP, a stream of events, and a page for the lab's wall.

    labref run LAB.toml --serve          # http://127.0.0.1:8729/

It runs in a thread of its own and sees snapshots, memory and the trace; the pass never waits for
it. On this computer only, unless the lab file says otherwise:

    [web]
    at = "192.0.2.7:8729"
    hosts = ["lab-pc.example"]
    read_token_file = "read.token"
    act_token_file = "act.token"
    acting = false
"""

from __future__ import annotations

from collections.abc import Mapping

from labref.hookspecs import hookimpl
from labref_web.table import WebTable

__all__ = ["WebTable"]


@hookimpl
def register_tables() -> Mapping[str, type]:
    """The table ``[web]``."""
    return {"web": WebTable}
