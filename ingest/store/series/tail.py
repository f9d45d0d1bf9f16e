"""What is staged, unpacked in memory: by series, quick to search, in step with the file.

The file decides; this only spares unpacking every batch for every question. A batch is immutable and its number is
never used twice, so that what was unpacked once stays right.
"""

from __future__ import annotations

import sqlite3
import threading
from typing import Final

import numpy as np

from ingest.site.series import Floats, Int64s, Series
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
        self._by_series: list[_BySeries] | None = None  # of `_sorted`, made when it is first wanted

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

    def plain(self, ids: Int64s, through: int) -> list[Series | None]:
        """Give what is staged of series after `low`, each series' instants rising, for many at once.

        ids: int64 (n,).  None for a series of which an instant came twice or late, and for all of them where the tail
        knows of batches after `through`: those are to be asked for one by one, by `of_series`.
        """
        with self._lock:
            if self.high != through:
                return [None] * len(ids)
            if self._by_series is None:
                self._by_series = [_BySeries(self._sorted)] if len(self._sorted.at_ms) else []
            found = [*self._by_series, *([_BySeries(self._recent_joined())] if self._recent else [])]
        return _plain(found, ids)

    def count(self) -> int:
        """Give how many readings are held."""
        with self._lock:
            return len(self._sorted.at_ms) + self._recent_count

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
        # Memory is what a busy day of readings costs here: nothing is copied that need not be.
        self._recent, self._by_series = [], None
        wanted = both.number > self.low
        if not bool(wanted.all()):
            both = staging.chosen(both, wanted)
        order, narrow = _order(both), _narrow(both)
        self._sorted = staging.chosen(narrow, order)
        self._recent_count = 0


def _narrow(staged: Staged) -> Staged:
    """Give the same with columns as wide as they must be: ids of series are small numbers, and marks are bits."""
    series: Int64s = staged.series.astype(np.int32)
    marks: Int64s = staged.marks.astype(np.int8)
    return staged._replace(series=series, marks=marks)


def _order(staged: Staged) -> Int64s:
    """Give the order by series, instant and number, of readings that are by number for each series."""
    order = _by_series(staged.series)
    series, at_ms = staged.series[order], staged.at_ms[order]
    if bool(((at_ms[1:] < at_ms[:-1]) & (series[1:] == series[:-1])).any()):
        return np.lexsort((staged.number, staged.at_ms, staged.series))
    return order


def _by_series(series: Int64s) -> Int64s:
    """Give the order by series, those of one as they came. Few bits are sorted in one pass over them."""
    narrow = series.astype(np.uint16) if len(series) and int(series.max()) < 1 << 16 else series
    return np.argsort(narrow, kind="stable")


class _BySeries:
    """Staged readings by series, those of one series as they came."""

    def __init__(self, staged: Staged) -> None:
        self.series, self.at_ms, self.value = staged.series, staged.at_ms, staged.value
        if bool((self.series[1:] < self.series[:-1]).any()):
            order = _by_series(staged.series)
            self.series, self.at_ms, self.value = staged.series[order], staged.at_ms[order], staged.value[order]
        falls = np.flatnonzero((self.at_ms[1:] <= self.at_ms[:-1]) & (self.series[1:] == self.series[:-1]))
        self.not_rising = frozenset(self.series[falls].tolist())


def _plain(found: list[_BySeries], ids: Int64s) -> list[Series | None]:
    cuts = [np.searchsorted(part.series, (ids, ids + 1)).T.tolist() for part in found]
    given: list[Series | None] = []
    for number, series_id in enumerate(ids.tolist()):
        pieces = []
        rising = True
        for part, cut in zip(found, cuts, strict=True):
            begin, end = cut[number]
            rising = rising and series_id not in part.not_rising
            if begin < end:
                pieces.append(Series(part.at_ms[begin:end], part.value[begin:end]))
        if len(pieces) == 2:
            rising = rising and pieces[0].at_ms[-1] < pieces[1].at_ms[0]
            pieces = [Series(*(np.concatenate(two) for two in zip(*map(_columns, pieces), strict=True)))]
        given.append((pieces[0] if pieces else _NO_SERIES) if rising else None)
    return given


def _columns(series: Series) -> tuple[Int64s, Floats]:
    return series.at_ms, series.value


_NO_SERIES: Final = Series(np.empty(0, np.int64), np.empty(0, np.float64))


def _within(staged: Staged, after: int, through: int) -> Staged:
    if len(staged.number) == 0:
        return staged
    which = (staged.number > after) & (staged.number <= through)
    return staged if bool(which.all()) else staging.chosen(staged, which)
