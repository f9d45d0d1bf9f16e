"""Samples into buckets: count, minimum, mean, maximum between arbitrary edges; of many runs of values at once. Pure."""

from __future__ import annotations

from typing import Final

import numpy as np

from ingest.site.series import Buckets, Floats, Int64s, Series
from ingest.store.series.coverage import vouched_share


def check_edges(edges_ms: Int64s) -> None:
    """Raise ValueError unless these are at least two strictly rising instants."""
    if edges_ms.ndim != 1 or len(edges_ms) < 2 or not np.all(np.diff(edges_ms) > 0):
        raise ValueError("bucket edges must be at least two instants, strictly rising")


def bucket(samples: Series, vouched_ms: Int64s, edges_ms: Int64s) -> Buckets:
    """Put samples into buckets.

    samples: may reach beyond the edges on either side; what lies outside counts only for coverage.
    vouched_ms: int64, one per sample, for how long each vouches (`coverage.vouched_ms`).
    edges_ms: int64 (n + 1,), strictly rising.
    No mean leaves its bucket's range by rounding: equal values have exactly that value as mean.
    """
    cuts = np.searchsorted(samples.at_ms, edges_ms, side="left")
    count = np.diff(cuts)
    filled = count > 0
    minimum, mean, maximum = (np.full(len(count), np.nan) for _ in range(3))
    if filled.any():
        value = samples.value[cuts[0] : cuts[-1]]
        # Between the starts of two filled buckets lie exactly the samples of the first, empty ones have none.
        starts = cuts[:-1][filled] - cuts[0]
        low = np.minimum.reduceat(value, starts)
        minimum[filled] = low
        maximum[filled] = high = np.maximum.reduceat(value, starts)
        with np.errstate(over="ignore"):
            mean[filled] = np.clip(np.add.reduceat(value, starts) / count[filled], low, high)
    return Buckets(edges_ms, count, minimum, mean, maximum, vouched_share(samples.at_ms, vouched_ms, edges_ms))


FEW: Final = 12  # values in a run up to which looking at all runs' first, second ... values takes less time


def stats_of_runs(value: Floats, starts: Int64s, count: Int64s) -> tuple[Floats, Floats, Floats]:
    """Give minimum, mean and maximum of runs of values; NaN for an empty one.  starts, count: of one shape."""
    shape = count.shape
    starts, count = starts.ravel(), count.ravel()
    empty = np.flatnonzero(count == 0)
    if len(empty):
        # Something is looked at in their place, which saves taking the others out and putting them back.
        starts, count = np.minimum(starts, len(value) - 1), np.maximum(count, 1)
    few = int(count.max()) <= FEW
    with np.errstate(over="ignore"):  # of numbers near the end of float64: the mean is then held to the maximum
        low, mean, high = (_of_few if few else _of_many)(value, starts, count)
    mean /= count
    # No mean leaves its bucket's range by rounding.
    np.maximum(mean, low, out=mean)
    np.minimum(mean, high, out=mean)
    for column in (low, mean, high):
        column[empty] = np.nan
    return low.reshape(shape), mean.reshape(shape), high.reshape(shape)


def _of_few(value: Floats, starts: Int64s, count: Int64s) -> tuple[Floats, Floats, Floats]:
    """Give minimum, sum and maximum of runs, none empty, looking at the first value of each, the second, and so on."""
    low = value[starts]
    high, total = low.copy(), low.copy()
    last = count - 1
    for number in range(1, int(count.max())):
        having = last >= number
        share = np.count_nonzero(having)
        if 4 * share < len(count):
            which = np.flatnonzero(having)
            one = value[starts[which] + number]
            total[which] += one
            low[which] = np.minimum(low[which], one)
            high[which] = np.maximum(high[which], one)
            continue
        one = value[starts + (number if share == len(count) else np.minimum(last, number))]
        np.minimum(low, one, out=low)
        np.maximum(high, one, out=high)
        total += one if share == len(count) else np.where(having, one, 0.0)
    return low, total, high


def _of_many(value: Floats, starts: Int64s, count: Int64s) -> tuple[Floats, Floats, Floats]:
    """Give minimum, sum and maximum of runs, none empty."""
    # Every second stretch lies between two runs, and is left out; one more value lets a run end with the last.
    cuts = np.column_stack((starts, starts + count)).ravel()
    value = np.append(value, 0.0)
    low, total, high = (of.reduceat(value, cuts)[::2].copy() for of in (np.minimum, np.add, np.maximum))
    return low, total, high
