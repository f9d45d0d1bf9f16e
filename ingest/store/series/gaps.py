"""What share of each bucket readings cover, of many series at once, from the gaps: most series have hardly any."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from ingest.site.series import Floats, Int64s
from ingest.store.series import coverage

_FAR_MS: Final = 2**61


class _Segment(NamedTuple):
    """Instants of one series' stretch, which decide over its readings low <= index < high."""

    owner: int
    at_ms: Int64s
    low: int
    high: int
    is_end: bool


class Gaps:
    """The gaps of several series: those that are known, and those to be worked out, for all of them at once."""

    def __init__(self) -> None:
        self._owner: list[Int64s] = []
        self._known: list[Int64s] = []
        self._segments: list[_Segment] = []

    def add(self, owner: int, begins_ends: Int64s) -> None:
        """Add gaps of one series: int64 (2, k)."""
        self._owner.append(np.full(begins_ends.shape[1], owner))
        self._known.append(begins_ends)

    def add_until(self, owner: int, at_ms: int) -> None:
        """Add that a series begins."""
        self.add(owner, np.array([[-_FAR_MS], [at_ms]]))

    def look(self, owner: int, at_ms: Int64s, low: int, high: int, *, is_end: bool = False) -> None:
        """Have the gaps after some readings worked out.

        at_ms: more than `coverage.NEIGHBOURS` instants that follow each other.  low, high: the readings, by index; they
        have as many beside them or are at an end of the series.  is_end: the last one is the series' last.
        """
        self._segments.append(_Segment(owner, at_ms, low, high, is_end))

    def shares(self, series: int, edges_ms: Int64s) -> Floats:
        """Give the share of each bucket that readings cover, 0 to 1: float64 (series, n).

        edges_ms: equally far apart.
        """
        if self._segments:
            self._work_out()
        size, width = len(edges_ms) - 1, int(edges_ms[1] - edges_ms[0])
        share = np.ones((series, size))
        if self._known:
            lost = _lost(series, np.concatenate(self._owner), np.concatenate(self._known, axis=1), edges_ms)
            which = np.flatnonzero(lost.any(axis=1))
            share[which] = (width - lost[which]) / width
        return share

    def _work_out(self) -> None:
        segments, self._segments = self._segments, []
        sizes = np.array([len(one.at_ms) for one in segments])
        starts = np.cumsum(sizes) - sizes
        whole = np.concatenate([one.at_ms for one in segments])
        vouched, before_gap = coverage.vouched_in_segments(whole, starts)
        number = np.searchsorted(starts, before_gap, side="right") - 1
        place = before_gap - starts[number]
        low, high, owner = (np.array([one[field] for one in segments])[number] for field in (2, 3, 0))
        decided = (place >= low) & (place < high) & (place < sizes[number] - 1)
        before_gap = before_gap[decided]
        begins, ends = whole[before_gap] + vouched[before_gap], whole[np.minimum(before_gap + 1, len(whole) - 1)]
        self._owner.append(owner[decided])
        self._known.append(np.stack((begins, ends)))
        last = (starts + sizes - 1)[[one.is_end for one in segments]]
        self._owner.append(np.array([one.owner for one in segments if one.is_end], np.int64))
        self._known.append(np.stack((whole[last] + vouched[last], np.full(len(last), _FAR_MS))))


def _lost(series: int, owner: Int64s, gaps: Int64s, edges_ms: Int64s) -> Int64s:
    """Give how many milliseconds of each bucket of each series lie in gaps, which do not overlap."""
    size, from_ms, width = len(edges_ms) - 1, int(edges_ms[0]), int(edges_ms[1] - edges_ms[0])
    begin, end = np.clip(gaps, from_ms, int(edges_ms[-1])) - from_ms
    some = begin < end
    begin, end, row = begin[some], end[some], owner[some] * size
    first, last = begin // width, (end - 1) // width
    lost, whole = np.zeros(series * size, np.int64), np.zeros(series * size + 1, np.int64)
    one = first == last
    np.add.at(lost, (row + first)[one], (end - begin)[one])
    row, begin, end, first, last = (column[~one] for column in (row, begin, end, first, last))
    if len(row):
        np.add.at(lost, row + first, (first + 1) * width - begin)
        np.add.at(lost, row + last, end - last * width)
        np.add.at(whole, row + first + 1, width)
        np.add.at(whole, row + last, -width)
        lost += np.cumsum(whole[:-1])
    return lost.reshape(series, size)
