"""How strong a beat must be to be counted: what of such a limit does not fit the lab."""

from __future__ import annotations

from labref.config.draft import Draft


def check_beat_levels(draft: Draft) -> None:
    """A limit belongs to a beat, and a channel that reads it is in dB and fed."""
    for name, table in draft.document.tables.lasers.items():
        limit, path = table.beat_level, ("lasers", name, "beat_level")
        if limit is None:
            continue
        if table.beat is None:
            draft.complaints.problem(path, f"{name} has no beat: remove beat_level")
        channel = draft.channels.get(limit.channel or "")
        if channel is not None and not (channel.unit.startswith("dB") and channel.is_fed):
            draft.complaints.problem(
                (*path, "channel"),
                f"{channel.name!r} is {'in ' + channel.unit if channel.is_fed else 'assumed'}: a "
                'channel that is read, with a unit in dB, is meant (unit = "dB", nominal = 0)',
            )
