"""For how long a reading vouches, what share of a bucket is vouched for, and where nothing is. Pure.

Each reading vouches for the time until the next one, but for no longer than its allowed gap: `GAP_FACTOR` times the
usual interval of the series around it, and at least `MIN_GAP_MS`, at most `MAX_GAP_MS` (common practice, no source).
The usual interval is the greater of two medians, that of the `NEIGHBOURS` intervals before the reading and that of the
`NEIGHBOURS` intervals from it onwards. So a sensor that is set from one minute to ten makes no gap, up to four losses
in nine do not pass for the usual, and what counts as a gap depends on the readings around it and never on the stretch
that somebody asked for.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from ingest.site.series import Floats, Int64s, Span

GAP_FACTOR: Final = 3.0
MIN_GAP_MS: Final = 60_000
MAX_GAP_MS: Final = 7_200_000
LONE_GAP_MS: Final = 1_800_000  # for the only reading of a series, where no interval is known
NEIGHBOURS: Final = 9
CONTEXT: Final = NEIGHBOURS + 1
"""How many readings beyond each end of a stretch decide over what is vouched for inside it."""


def vouched_ms(at_ms: Int64s) -> Int64s:
    """Give for how long each reading vouches (ms).

    at_ms: int64 (n,), strictly rising; with `CONTEXT` readings before and after the stretch that is asked about, as far
    as the series has them.  Returns int64 (n,).
    """
    if len(at_ms) < 2:
        return np.full(len(at_ms), LONE_GAP_MS, dtype=np.int64)
    intervals = np.diff(at_ms)
    allowed = np.clip(GAP_FACTOR * _usual_interval(intervals), MIN_GAP_MS, MAX_GAP_MS).astype(np.int64)
    allowed[:-1] = np.minimum(allowed[:-1], intervals)
    return allowed


def _usual_interval(intervals: Int64s) -> Floats:
    """Give for each of the n + 1 readings around n intervals the greater of the medians before and after it."""
    width = min(NEIGHBOURS, len(intervals))
    windows = np.lib.stride_tricks.sliding_window_view(intervals, width)
    medians = np.partition(windows, width // 2, axis=1)[:, width // 2].astype(np.float64)
    last = len(medians) - 1
    reading = np.arange(len(intervals) + 1)
    # Window i holds the intervals i to i + width - 1. At the ends the outermost window stands in.
    before = medians[np.clip(reading - width, 0, last)]
    after = medians[np.clip(reading, 0, last)]
    usual: Floats = np.maximum(before, after)
    return usual


def vouched_share(at_ms: Int64s, vouched: Int64s, edges_ms: Int64s) -> Floats:
    """Give the share of each bucket's length that readings vouch for, 0 to 1.

    at_ms, vouched: int64 (n,), from `vouched_ms`.  edges_ms: int64 (m + 1,), strictly rising.  Returns float64 (m,).
    """
    if len(at_ms) == 0:
        return np.zeros(len(edges_ms) - 1)
    before = np.concatenate(([0], np.cumsum(vouched)))  # vouched time before each reading
    index = np.searchsorted(at_ms, edges_ms, side="right") - 1
    inside = np.minimum(edges_ms - at_ms[index], vouched[index])
    vouched_until_edge = np.where(index < 0, 0, before[index] + inside)
    share: Floats = np.diff(vouched_until_edge) / np.diff(edges_ms)
    return share


def gaps(at_ms: Int64s, vouched: Int64s, from_ms: int, to_ms: int) -> list[Span]:
    """Give the stretches of from_ms <= t < to_ms for which no reading vouches, in order, none empty.

    at_ms, vouched: int64 (n,), from `vouched_ms`.
    """
    begins = np.concatenate(([from_ms], at_ms + vouched))
    ends = np.concatenate((at_ms, [to_ms]))
    begins, ends = np.maximum(begins, from_ms), np.minimum(ends, to_ms)
    open_stretch = begins < ends
    return [Span(*span) for span in zip(begins[open_stretch].tolist(), ends[open_stretch].tolist(), strict=True)]
