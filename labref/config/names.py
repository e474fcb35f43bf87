"""Names of a lab file's things, which are also names of groups in its traces."""

from __future__ import annotations

import re

from labref.config.draft import Draft

# Groups of a trace beside those of channels and transitions; a test keeps this equal to the trace.
RESERVED_NAMES = frozenset(
    ["messages", "recording", "lab_file", "title", "start_time", "end_time", "program_name"]
)
RESERVED_SUFFIX = "_validity"
_FOLDER = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*")


def check_names(draft: Draft) -> None:
    """Channels and transitions stand side by side in a trace: they share no name, none is taken."""
    channels = draft.document.names("channels")
    for table in ("channels", "transitions"):
        for name in sorted(draft.document.names(table)):
            if name in RESERVED_NAMES or name.endswith(RESERVED_SUFFIX):
                draft.complaints.problem(
                    (table, name), f"{name!r} is a name that traces use themselves"
                )
            elif table == "transitions" and name in channels:
                draft.complaints.problem(
                    (table, name), f"a channel is called {name!r} too: both go into the trace"
                )
    for name in sorted(draft.document.names("nightly")):
        if not _FOLDER.fullmatch(name):
            draft.complaints.problem(
                ("nightly", name), "its name is a folder, too: letters, digits, '_' and '-'"
            )
