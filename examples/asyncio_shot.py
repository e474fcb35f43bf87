"""Shots in an asynchronous sequencer: the session stays synchronous, a thread bridges.

python examples/asyncio_shot.py
"""

import asyncio
import tempfile
from pathlib import Path

from invented_lab import invented_session

from labref.model.shot import ShotRecord
from labref.session.session import Session


async def experiment() -> None:
    """Invented: whatever the lab awaits in a shot."""
    await asyncio.sleep(0.03)


async def night(session: Session) -> list[ShotRecord]:
    """Twelve shots; while one is recorded, the event loop does other things."""
    # --- what a user writes
    records = []
    for number in range(12):
        await asyncio.to_thread(session.wait_good, ["clock729"], 10)
        with session.shot(f"shot {number}", ["clock729"]) as shot:
            await experiment()
        records.append(asyncio.create_task(asyncio.to_thread(shot.record, 5)))
    return await asyncio.gather(*records)
    # --- end


with tempfile.TemporaryDirectory() as folder, invented_session(Path(folder) / "trace") as session:
    for record in asyncio.run(night(session)):
        print(f"{record.shot:8} {record.state.word:8} {record['clock729'].reason}")
