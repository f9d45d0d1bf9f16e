"""For how long a reading vouches, what share of a bucket is covered, and where nothing is. Pure.

Each reading covers the time until the next one, but for no longer than its allowed gap: `GAP_FACTOR` times the
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
"""How many readings beyond each end of a stretch decide over what is covered inside it."""


def vouched_ms(at_ms: Int64s) -> Int64s:
    """Give for how long each reading vouches (ms).

    at_ms: int64 (n,), strictly rising; with `CONTEXT` readings before and after the stretch that is asked about, as far
    as the series has them.  Returns int64 (n,).
    """
    if len(at_ms) < 2:
        return np.full(len(at_ms), LONE_GAP_MS, dtype=np.int64)
    return vouched_in_segments(at_ms, np.zeros(1, np.int64))[0]


def vouched_in_segments(at_ms: Int64s, starts: Int64s) -> tuple[Int64s, Int64s]:
    """Give for how long each reading vouches (ms), of several series that are laid end to end.

    at_ms: int64 (n,).  starts: int64 (m,), where each series begins; each of at least two readings, and where there are
    several, of more than `NEIGHBOURS`.  Also gives which readings, by index, do not vouch until the next one, the last
    one of each series left out.
    """
    allowed = np.empty(len(at_ms), np.int64)
    intervals = np.subtract(at_ms[1:], at_ms[:-1], out=allowed[:-1])
    ends = np.append(starts[1:], len(at_ms)) - 1  # the last reading of each series
    width = min(NEIGHBOURS, len(intervals))
    # Nearly every reading vouches until the next one, which is seen without working out the usual interval around it:
    # only those that may not are looked at closely, and the last ones.
    allowed[ends] = MAX_GAP_MS  # between two series: no interval at all
    doubtful = np.append(_doubtful(intervals, width, ends[:-1]), ends[-1])
    series = np.searchsorted(starts, doubtful, side="right") - 1
    usual = _usual_interval(intervals, width, doubtful, starts[series], ends[series])
    bounds = np.clip(GAP_FACTOR * usual, MIN_GAP_MS, MAX_GAP_MS).astype(np.int64)
    shorter = bounds < allowed[doubtful]
    allowed[doubtful[shorter]] = bounds[shorter]
    return allowed, doubtful[shorter & (doubtful != ends[series])]


def _doubtful(intervals: Int64s, width: int, between: Int64s) -> Int64s:
    """Give the intervals, by index, that may be longer than their reading vouches, and those between two series."""
    typical = int(np.median(intervals[:: len(intervals) // 1000 + 1])) // 2
    longest = min(max(GAP_FACTOR * typical, MIN_GAP_MS), MAX_GAP_MS)
    long = intervals > longest
    # A window's median is at least `typical` unless more than half of its intervals are shorter.
    short = np.flatnonzero(intervals < typical)
    half = width // 2
    if len(short) > half and int((short[half:] - short[: len(short) - half]).min()) < width:
        # Wherever a window of the neighbourhood may have a small median, every interval that can matter is doubtful.
        clustered = short[np.flatnonzero(short[half:] - short[: len(short) - half] < width)]
        near = (clustered[:, None] + np.arange(-2 * width, 3 * width + 1)).ravel()
        near = near[(near >= 0) & (near < len(intervals))]
        long[near[intervals[near] > MIN_GAP_MS]] = True
    long[between] = True
    return np.flatnonzero(long)


def _usual_interval(intervals: Int64s, width: int, reading: Int64s, first: Int64s, last: Int64s) -> Floats:
    """Give for some readings the greater of the medians before and after them.

    first, last: of each one's series, by index.  Window i holds the intervals i to i + width - 1.
    """
    windows = np.lib.stride_tricks.sliding_window_view(intervals, width)

    def median(window: Int64s) -> Floats:
        # At the ends of a series its outermost window stands in.
        chosen = np.partition(windows[np.clip(window, first, last - width)], width // 2, axis=1)
        medians: Floats = chosen[:, width // 2].astype(np.float64)
        return medians

    usual: Floats = np.maximum(median(reading - width), median(reading))
    return usual


def vouched_share(at_ms: Int64s, vouched: Int64s, edges_ms: Int64s) -> Floats:
    """Give the share of each bucket's length that readings cover, 0 to 1.

    at_ms, vouched: int64 (n,), from `vouched_ms`.  edges_ms: int64 (m + 1,), strictly rising.  Returns float64 (m,).
    """
    if len(at_ms) == 0:
        return np.zeros(len(edges_ms) - 1)
    index = np.searchsorted(at_ms, edges_ms, side="right") - 1
    inside = np.where(index < 0, 0, np.minimum(edges_ms - at_ms[index], vouched[index]))
    low, high = np.maximum(index[:-1], 0), np.maximum(index[1:], 0)
    # What the readings from the last one before a bucket to the last one in it cover.
    between = np.add.reduceat(vouched[: high[-1] + 1], low)
    between[-1] -= vouched[high[-1]]
    between[low == high] = 0
    share: Floats = (between + np.diff(inside)) / np.diff(edges_ms)
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
