"""What is staged, unpacked in memory: by series, quick to search, in step with the file.

The file decides; this only spares unpacking every batch for every question. A batch is immutable and its number is
never used twice, so that what was unpacked once stays right.
"""

from __future__ import annotations

import sqlite3
import threading
from typing import Final

import numpy as np

from ingest.store.series import staging
from ingest.store.series.staging import NOTHING, Staged

_FOLD_AT: Final = 4096


class Tail:
    """The batches with low < number <= high, unpacked. Safe from any thread."""

    def __init__(self, low: int) -> None:
        self.low = low
        self.high = low
        self._lock = threading.Lock()
        self._sorted = NOTHING  # by series, instant, number
        self._recent: list[Staged] = []  # as they came
        self._recent_count = 0

    def catch_up(self, connection: sqlite3.Connection, through: int) -> None:
        """Unpack what is missing up to a batch."""
        with self._lock:
            if through > self.high:
                self._add(staging.read(connection, self.high, through), through)

    def add(self, batch: Staged, number: int) -> None:
        """Take over a batch that was just committed, unless it is known or one before it is missing."""
        with self._lock:
            if number == self.high + 1:
                self._add(batch, number)

    def forget(self, through: int) -> None:
        """Let go of batches that are sealed altogether."""
        with self._lock:
            if through > self.low:
                self.low = through
                self._fold()

    def of_series(self, series_id: int, after: int, through: int) -> Staged:
        """Give what is staged of a series in after < number <= through, by instant and number."""
        with self._lock:
            if self._recent_count > max(_FOLD_AT, len(self._sorted.at_ms) // 4):
                self._fold()
            begin, end = np.searchsorted(self._sorted.series, (series_id, series_id + 1))
            found = [staging.chosen(self._sorted, slice(begin, end))] if begin < end else []
            if self._recent:
                recent = self._recent_joined()
                which = np.flatnonzero(recent.series == series_id)
                found += [staging.chosen(recent, which)] if len(which) else []
        return _within(staging.joined(found), after, through)

    def all(self, after: int, through: int) -> Staged:
        """Give everything staged in after < number <= through."""
        with self._lock:
            everything = staging.joined([self._sorted, *self._recent])
        return _within(everything, after, through)

    def _add(self, batch: Staged, number: int) -> None:
        if len(batch.at_ms):
            self._recent.append(batch)
            self._recent_count += len(batch.at_ms)
        self.high = number

    def _recent_joined(self) -> Staged:
        if len(self._recent) > 1:
            self._recent = [staging.joined(self._recent)]
        return self._recent[0]

    def _fold(self) -> None:
        both = staging.joined([self._sorted, *self._recent])
        both = staging.chosen(both, both.number > self.low)
        self._sorted = staging.chosen(both, np.lexsort((both.number, both.at_ms, both.series)))
        self._recent, self._recent_count = [], 0


def _within(staged: Staged, after: int, through: int) -> Staged:
    if len(staged.number) == 0:
        return staged
    which = (staged.number > after) & (staged.number <= through)
    return staged if bool(which.all()) else staging.chosen(staged, which)
