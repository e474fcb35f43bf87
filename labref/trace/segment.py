"""One live segment as its writer sees it: banks, records, synchronisation."""

from __future__ import annotations

import threading
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np

from labref.trace.bank import Bank, Records
from labref.trace.create import BankPlan, SegmentPlan
from labref.trace.layout import VALIDITY_SUFFIX
from labref.trace.medium import Medium
from labref.trace.tables import CHANNELS, COLUMNS, TRANSITIONS, Column, Kind


class Segment:
    """An open live file. Stores are made by one thread; `sync` may come from another.

    ``banks`` hold the series; ``where`` says for each series its bank and slot. Raises OSError.
    """

    def __init__(self, path: Path, plan: SegmentPlan, *, mapped: bool | None = None) -> None:
        import h5py

        self.path = path
        self.plan = plan
        self.banks: list[Bank] = []
        self.where: dict[str, tuple[int, int]] = {}
        self.validity: dict[str, Records] = {}
        self.messages: Records
        with h5py.File(path, "r") as file:
            entry = file["entry"]
            offsets = {
                (index, column.name): [
                    entry[table.name][column.name].id.get_offset() for table in bank.tables
                ]
                for index, bank in enumerate(plan.banks)
                for column in COLUMNS[bank.kind]
            }
            rows, synced = (
                entry["recording"][name].id.get_offset() for name in ("rows", "rows_synced")
            )
        self._count = sum(len(bank.tables) for bank in plan.banks)
        self._medium = Medium(path, mapped)
        self._closing = threading.Lock()
        self._rows = self._medium.counters(rows, self._count)
        self._synced = self._medium.counters(synced, self._count)
        self._counters: list[Bank | Records] = []
        first = 0
        for index, bank in enumerate(plan.banks):
            columns = {column.name: offsets[index, column.name] for column in COLUMNS[bank.kind]}
            self._add(bank, columns, first)
            first += len(bank.tables)

    def _add(self, plan: BankPlan, offsets: dict[str, list[int]], first: int) -> None:
        columns = COLUMNS[plan.kind]
        if plan.kind in CHANNELS + TRANSITIONS:
            planes = [
                self._medium.plane(dtype, [offsets[c.name] for c in group], plan.capacity)
                for dtype, group in groupby(columns, key=_plane_type)
            ]
            count, origin = len(plan.tables), self.plan.start_ns
            bank = Bank(count, plan.capacity, planes, self._rows, first, origin)
            for slot, table in enumerate(plan.tables):
                self.where[table.name] = (len(self.banks), slot)
            self.banks.append(bank)
            self._counters.append(bank)
            return
        stores = [self._medium.plane(c.dtype, [offsets[c.name]], plan.capacity) for c in columns]
        for slot, table in enumerate(plan.tables):
            records = Records(plan.kind, slot, plan.capacity, stores, self._rows, first)
            self._counters.append(records)
            if plan.kind is Kind.MESSAGES:
                self.messages = records
            else:
                self.validity[table.name.removesuffix(VALIDITY_SUFFIX)] = records

    @property
    def start_ns(self) -> int:
        """Begin of the span that this segment was made for."""
        return self.plan.start_ns

    @property
    def end_ns(self) -> int:
        """End of the span: a reading that starts here belongs to the next segment."""
        return self.plan.end_ns

    def name_of(self, bank: Bank, slot: int) -> str:
        """Name of the series in ``slot`` of ``bank``."""
        return next(
            name
            for name, (index, place) in self.where.items()
            if self.banks[index] is bank and place == slot
        )

    def sync(self) -> None:
        """Wait until all rows stored before this call are on the disk, then say so in the file."""
        with self._closing:
            if self._medium.fd < 0:
                return
            rows = self._row_counts()
            self._medium.sync()
            self._synced.set(0, self._count, rows)

    def _row_counts(self) -> np.ndarray[Any, np.dtype[np.int64]]:
        parts = [
            counter.filled if isinstance(counter, Bank) else np.array([counter.row])
            for counter in self._counters
        ]
        return np.concatenate(parts).astype(np.int64)

    def close(self) -> None:
        """Synchronise and let go of the file."""
        self.sync()
        self.abandon()

    def abandon(self) -> None:
        """Let go of the file without synchronising, as a killed process would."""
        with self._closing:
            self._medium.close()


def _plane_type(column: Column) -> str:
    """Columns of eight bytes are stored together, whatever they mean."""
    return "<i8" if column.dtype.endswith("8") else column.dtype
