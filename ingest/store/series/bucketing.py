"""Samples into buckets: count, minimum, mean, maximum between arbitrary edges. Pure."""

from __future__ import annotations

import numpy as np

from ingest.site.series import Buckets, Int64s, Series
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
