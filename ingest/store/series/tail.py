"""What is staged, unpacked in memory: by series, quick to search, in step with the file.

The file decides; this only spares unpacking every batch for every question. A batch is immutable and its number is
never used twice, so that what was unpacked once stays right.
"""

from __future__ import annotations

import sqlite3
import threading
from typing import Final

import numpy as np

from ingest.site.series import Int64s, Series
from ingest.store.series import staging
from ingest.store.series.staging import NOTHING, Staged

_FOLD_AT: Final = 4096


class _Recent:
    """Batches as they came, in columns that grow at their end.

    Not a list of batches: thousands of small columns, joined anew whenever somebody asks, take twice the memory and
    leave the C library's heap full of holes.
    """

    def __init__(self) -> None:
        self._columns = _room(_FOLD_AT)
        self.count = 0

    def add(self, batch: Staged) -> None:
        """Take in a batch; what `all` gave before stays as it is."""
        begin, self.count = self.count, self.count + len(batch.at_ms)
        if self.count > len(self._columns.at_ms):
            wider = _room(max(self.count, 2 * len(self._columns.at_ms)))
            for old, new in zip(self._columns, wider, strict=True):
                new[:begin] = old[:begin]
            self._columns = wider
        for held, fresh in zip(self._columns, batch, strict=True):
            held[begin : self.count] = fresh

    def all(self) -> Staged:
        """Give all of it, uncopied: not to be changed."""
        return staging.chosen(self._columns, slice(self.count))


def _room(count: int) -> Staged:
    # As wide as they must be, for they are most of a busy daemon's memory: ids are small numbers, and marks are bits.
    number, at_ms = np.empty(count, np.int64), np.empty(count, np.int64)
    series: Int64s = np.empty(count, np.int32)
    marks: Int64s = np.empty(count, np.int8)
    return Staged(number, series, at_ms, np.empty(count), marks)


class Tail:
    """The batches with low < number <= high, unpacked. Safe from any thread.

    Putting what came lately in order takes milliseconds: that is done beside the lock, which whoever stores waits for.
    """

    def __init__(self, low: int) -> None:
        self.low = low
        self.high = low
        self._lock = threading.Lock()
        self._sorted = NOTHING  # by series, instant, number
        self._sorted_through = low  # the newest batch in it
        self._recent = _Recent()
        self._holds_sealed = False  # some of what is held has number <= low
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
        """Let go of batches that are sealed altogether, when there is time."""
        with self._lock:
            if through > self.low:
                self.low = through
                self._holds_sealed = True

    def of_series(self, series_id: int, after: int, through: int) -> Staged:
        """Give what is staged of a series in after < number <= through, by instant and number."""
        self._put_in_order()
        with self._lock:
            begin, end = np.searchsorted(self._sorted.series, (series_id, series_id + 1))
            found = [staging.chosen(self._sorted, slice(begin, end))] if begin < end else []
            if self._recent.count:
                recent = self._recent.all()
                which = np.flatnonzero(recent.series == series_id)
                found += [staging.chosen(recent, which)] if len(which) else []
        return _within(staging.joined(found), after, through)

    def plain(self, ids: Int64s, after: Int64s, through: int) -> list[Series | None]:
        """Give what is staged of series in after < number <= through, each series' instants rising, for many at once.

        ids, after: int64 (n,).  None for a series of which an instant came twice or late, and for all of them where the
        tail knows of batches after `through`, or no longer of some: those are to be asked for one by one, by
        `of_series`.
        """
        self._put_in_order()
        with self._lock:
            if self.high != through or int(after.min()) < self.low:
                return [None] * len(ids)
            if self._by_series is None:
                self._by_series = [_BySeries(self._sorted)] if len(self._sorted.at_ms) else []
            found = [*self._by_series, *([_BySeries(self._recent.all())] if self._recent.count else [])]
            whole = -1 if self._holds_sealed else self.low
        return _plain(found, ids, np.where(after > whole, after, -1))

    def count(self) -> int:
        """Give how many readings are held."""
        self._put_in_order()
        with self._lock:
            return len(self._sorted.at_ms) + self._recent.count

    def all(self, after: int, through: int) -> Staged:
        """Give everything staged in after < number <= through."""
        with self._lock:
            after = max(after, self.low)
            recent = self._recent.all()  # by number, as it came
            begin, end = recent.number.searchsorted((after, through), side="right")
            recent = staging.chosen(recent, slice(begin, end))
            if after >= self._sorted_through:
                return recent
            return staging.joined([_within(self._sorted, after, through), recent])

    def _put_in_order(self) -> None:
        """Sort in what came lately, once that is much, and let go of what is sealed."""
        with self._lock:
            few = self._recent.count <= max(_FOLD_AT, len(self._sorted.at_ms) // 16)
            if few and not self._holds_sealed:
                return
            old, came, low, through = self._sorted, self._recent, self.low, self.high
            recent = came.all()
        made = _merged(_above(old, low), _above(recent, low))
        with self._lock:
            if self._recent is came and self._sorted is old and self.low == low:
                self._sorted, self._sorted_through = made, through
                self._recent = _Recent()
                self._recent.add(staging.chosen(came.all(), slice(len(recent.at_ms), None)))
                self._holds_sealed, self._by_series = False, None

    def _add(self, batch: Staged, number: int) -> None:
        self._recent.add(batch)
        self.high = number


def _above(staged: Staged, low: int) -> Staged:
    """Give the readings with number > low."""
    which = staged.number > low
    return staged if bool(which.all()) else staging.chosen(staged, which)


def _merged(old: Staged, new: Staged) -> Staged:
    """Give both by series, instant and number.  old: in that order.  new: by number, later ones than those of old."""
    new = staging.chosen(new, _order(new))
    after = np.searchsorted(old.series, new.series, side="right")
    last = old.at_ms[after - 1] if len(old.at_ms) else new.at_ms
    is_late = (after > 0) & (last >= new.at_ms)
    if len(old.at_ms) == 0 or bool((is_late & (old.series[after - 1] == new.series)).any()):
        both = staging.joined((old, new))
        return staging.chosen(both, _order(both))
    places = after + np.arange(len(new.at_ms))
    kept = np.ones(len(old.at_ms) + len(new.at_ms), np.bool_)
    kept[places] = False
    made = _room(len(kept))
    for column, mine, theirs in zip(made, old, new, strict=True):
        column[kept], column[places] = mine, theirs
    return made


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
        self.series, self.at_ms, self.value, self.number = staged.series, staged.at_ms, staged.value, staged.number
        if bool((self.series[1:] < self.series[:-1]).any()):
            order = _by_series(staged.series)
            self.series, self.at_ms = staged.series[order], staged.at_ms[order]
            self.value, self.number = staged.value[order], staged.number[order]
        same = self.series[1:] == self.series[:-1]
        falls = same & ((self.at_ms[1:] <= self.at_ms[:-1]) | (self.number[1:] < self.number[:-1]))
        self.not_rising = frozenset(self.series[np.flatnonzero(falls)].tolist())


def _plain(found: list[_BySeries], ids: Int64s, after: Int64s) -> list[Series | None]:
    """Give the readings of each series with number > after, -1 for all of them; None where they do not rise."""
    cuts = [np.searchsorted(part.series, (ids, ids + 1)).T.tolist() for part in found]
    given: list[Series | None] = []
    for number, (series_id, sealed) in enumerate(zip(ids.tolist(), after.tolist(), strict=True)):
        pieces = []
        for part, cut in zip(found, cuts, strict=True):
            begin, end = cut[number]
            if sealed >= 0:
                begin += int(part.number[begin:end].searchsorted(sealed, side="right"))
            if begin < end:
                pieces.append(Series(part.at_ms[begin:end], part.value[begin:end]))
        rising = not any(series_id in part.not_rising for part in found)
        if len(pieces) == 2:
            one, two = pieces
            rising = rising and bool(one.at_ms[-1] < two.at_ms[0])
            pieces = [Series(np.concatenate((one.at_ms, two.at_ms)), np.concatenate((one.value, two.value)))]
        given.append((pieces[0] if pieces else _NO_SERIES) if rising else None)
    return given


_NO_SERIES: Final = Series(np.empty(0, np.int64), np.empty(0, np.float64))


def _within(staged: Staged, after: int, through: int) -> Staged:
    if len(staged.number) == 0:
        return staged
    which = (staged.number > after) & (staged.number <= through)
    return staged if bool(which.all()) else staging.chosen(staged, which)
