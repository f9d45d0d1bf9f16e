"""Long stretches of a series on a central engine as cells, kept while nothing new came for their days. Blocks.

A year in a thousand buckets would fetch half a million readings each time that somebody looks. What past days held does
not change but by late and amended readings, and each of those is a sample more on the engine. So the cells of a day, an
hour or a quarter wide, are kept beside the engine's own count of the samples of that day and of its neighbours (what is
covered, and what is derived, looks so far); where the engine counts the same again, the cells are what they were.
The engine's own minimum, mean and maximum are not asked for: amended readings would count twice in them, and neither
coverage nor what is derived can be had so.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ingest.clock import Clock
from ingest.site.series import Buckets, Int64s, SeriesKey

DAY_MS: Final = 86_400_000
LONG_MS: Final = 20 * DAY_MS
"""Stretches shorter than this are read as they are."""

SETTLED_MS: Final = 2 * DAY_MS
"""Days that ended within this time are read anew each time: readings still come, and neighbours have not begun."""

KEPT_S: Final = 21_600.0
"""For how long cells are kept at most, whatever the engine counts: samples may be deleted there, and others sent."""

MOST_CELLS: Final = 600_000
"""How many cells are kept, 40 bytes each: an hour's cells of sixty-eight series for a year."""

_WIDTHS_MS: Final = (3_600_000, 900_000)
_BRIDGED: Final = 3  # days that are kept and read all the same, rather than asking once more

Count = Callable[[SeriesKey, int, int], Int64s]
Make = Callable[[SeriesKey, Int64s], Buckets]
Cells = NDArray[np.float64]
"""Rows: count, minimum, maximum, sum, vouched ms.  float64 (5, n)."""


class _Day(NamedTuple):
    """A day's cells.  token: what the engine counted around it.  at_s: when they were read (monotonic)."""

    token: tuple[float, ...]
    at_s: float
    cells: Cells


def is_long(edges_ms: Int64s) -> bool:
    """Say whether a stretch is one for cells."""
    return bool(edges_ms[-1] - edges_ms[0] >= LONG_MS)


class KeptCells:
    """Gives buckets of long stretches. For any thread: several pages ask at once.

    count: gives the engine's counts of the samples that go into a series, day by day, between two begins of UTC days.
    make: reads a series into buckets.  basis: gives what else the values of a series hang on, as a number.
    """

    def __init__(self, count: Count, make: Make, basis: Callable[[SeriesKey], float], clock: Clock) -> None:
        self._count = count
        self._basis = basis
        self._make = make
        self._clock = clock
        # Whoever asks for days that are not kept reads them without the lock, so that nobody waits for another's
        # question to the engine; two that ask for the same read it twice, and keep the same.
        self._lock = threading.Lock()
        self._kept: OrderedDict[tuple[SeriesKey, int], dict[int, _Day]] = OrderedDict()
        self._held = 0  # cells

    def buckets(self, key: SeriesKey, edges_ms: Int64s) -> Buckets | None:
        """Give buckets, or None where the stretch is short, recent, or its edges are not those of cells."""
        width = next((width for width in _WIDTHS_MS if not np.any(edges_ms % width)), None)
        first, last = int(edges_ms[0]) // DAY_MS, -(-int(edges_ms[-1]) // DAY_MS)
        settled = (self._clock.now_ms() - SETTLED_MS) // DAY_MS
        if width is None or not is_long(edges_ms) or settled - first < LONG_MS // DAY_MS or first < 1:
            return None
        cells = self._cells(key, width, first, last, settled)
        return _joined(cells, first * DAY_MS, width, edges_ms)

    def _cells(self, key: SeriesKey, width: int, first: int, last: int, settled: int) -> Cells:
        counts = self._count(key, (first - 1) * DAY_MS, (last + 1) * DAY_MS).tolist()
        basis = self._basis(key)
        tokens = {first + i: (basis, *counts[i : i + 3]) for i in range(last - first)}
        now_s = self._clock.monotonic_s()
        with self._lock:
            kept = self._kept.get((key, width), {})
            found = {
                day: kept[day].cells
                for day, token in tokens.items()
                if day in kept and kept[day].token == token and 0 <= now_s - kept[day].at_s < KEPT_S
            }
        made: dict[int, _Day] = {}
        for begin, end in _runs([day for day in tokens if day not in found]):
            read = self._read(key, width, begin, end)
            for i, day in enumerate(range(begin, end)):
                found[day] = read[:, i * (DAY_MS // width) : (i + 1) * (DAY_MS // width)].copy()
                if day < settled:
                    made[day] = _Day(tokens[day], now_s, found[day])
        self._keep(key, width, made)
        return np.concatenate([found[day] for day in tokens], axis=1)

    def _read(self, key: SeriesKey, width: int, begin: int, end: int) -> Cells:
        made = self._make(key, np.arange(begin * DAY_MS, end * DAY_MS + 1, width, dtype=np.int64))
        total = np.where(made.count > 0, made.mean * made.count, 0.0)
        return np.stack([made.count, made.minimum, made.maximum, total, np.rint(made.coverage * width)])

    def _keep(self, key: SeriesKey, width: int, made: dict[int, _Day]) -> None:
        """Keep days, and forget the series that were not asked for for longest, down to what may be kept."""
        with self._lock:
            days = self._kept.setdefault((key, width), {})
            self._held += len(made.keys() - days.keys()) * (DAY_MS // width)
            days.update(made)
            self._kept.move_to_end((key, width))
            while self._held > MOST_CELLS and len(self._kept) > 1:
                (_, width), days = self._kept.popitem(last=False)
                self._held -= len(days) * (DAY_MS // width)


def _runs(days: Sequence[int]) -> list[tuple[int, int]]:
    """Give days (rising) as runs, first and one past the last, over holes of a few days."""
    if not days:
        return []
    breaks = [(one, other) for one, other in pairwise(days) if other - one > _BRIDGED + 1]
    begins = [days[0], *(other for _, other in breaks)]
    ends = [*(one + 1 for one, _ in breaks), days[-1] + 1]
    return list(zip(begins, ends, strict=True))


def _joined(cells: Cells, begin_ms: int, width: int, edges_ms: Int64s) -> Buckets:
    """Put cells together to buckets whose edges are edges of cells."""
    at = (edges_ms - begin_ms) // width
    count, minimum, maximum, total, vouched = cells[:, : at[-1]]
    counted = np.add.reduceat(count, at[:-1]).astype(np.int64)
    low, high = np.fmin.reduceat(minimum, at[:-1]), np.fmax.reduceat(maximum, at[:-1])
    mean = np.full(len(counted), np.nan)
    filled = counted > 0
    mean[filled] = np.clip((np.add.reduceat(total, at[:-1])[filled] / counted[filled]), low[filled], high[filled])
    share = np.add.reduceat(vouched, at[:-1]) / np.diff(edges_ms)
    return Buckets(edges_ms, counted, low, mean, high, share)
