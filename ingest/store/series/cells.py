"""What rollups hold: count, minimum, maximum, sum and vouched time of cells that can be put together. Pure.

Two cells put together are what one cell over both would have been: counts and vouched milliseconds are whole numbers,
minimum and maximum are readings themselves, and sums of decimal readings are exact before they are rounded once.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ingest.site.series import Buckets, Floats, Int64s, Series
from ingest.store.series import packing

Which = NDArray[np.bool_] | Int64s | slice


class Cells(NamedTuple):
    """Columns (n,).  readings, vouched_ms: int64.  minimum, maximum, total: float64, 0.0 where there is no reading."""

    readings: Int64s
    minimum: Floats
    maximum: Floats
    total: Floats
    vouched_ms: Int64s


def empty(count: int) -> Cells:
    """Give cells that hold nothing."""
    return Cells(
        np.zeros(count, np.int64), np.zeros(count), np.zeros(count), np.zeros(count), np.zeros(count, np.int64)
    )


def chosen(cells: Cells, which: Which) -> Cells:
    """Give some of the cells, by a mask, slice or index."""
    return Cells(
        cells.readings[which], cells.minimum[which], cells.maximum[which], cells.total[which], cells.vouched_ms[which]
    )


class Frame(NamedTuple):
    """What the instants alone say of the cells between edges; series that were read together share it.

    cuts: int64 (n + 1,), the first reading of each cell, and the end of the last.  readings, vouched_ms: int64 (n,).
    """

    cuts: Int64s
    readings: Int64s
    vouched_ms: Int64s


def frame(at_ms: Int64s, vouched_ms: Int64s, edges_ms: Int64s) -> Frame:
    """Give the frame of cells; instants may reach beyond the edges on either side."""
    cuts = np.searchsorted(at_ms, edges_ms, side="left")
    return Frame(cuts, np.diff(cuts), _vouched(at_ms, vouched_ms, edges_ms))


def framed(value: Floats, of: Frame) -> Cells:
    """Put the values that belong to a frame's instants into its cells."""
    count = len(of.readings)
    made = Cells(of.readings, np.zeros(count), np.zeros(count), np.zeros(count), of.vouched_ms)
    filled = of.readings > 0
    if filled.any():
        value = value[of.cuts[0] : of.cuts[-1]]
        starts = of.cuts[:-1][filled] - of.cuts[0]
        made.minimum[filled] = np.minimum.reduceat(value, starts)
        made.maximum[filled] = np.maximum.reduceat(value, starts)
        made.total[filled] = totals(value, starts)
    return made


def of_samples(samples: Series, vouched_ms: Int64s, edges_ms: Int64s) -> Cells:
    """Put samples into the cells between edges; samples may reach beyond them on either side."""
    return framed(samples.value, frame(samples.at_ms, vouched_ms, edges_ms))


def totals(value: Floats, starts: Int64s) -> Floats:
    """Give the sums of the runs of values that begin at `starts`: exact and rounded once where values are decimal."""
    decimal = packing.decimals_of(value)
    if decimal is None:
        with np.errstate(over="ignore"):  # of numbers near the end of float64: the mean is then held to the maximum
            plain: Floats = np.add.reduceat(value, starts)
        return plain
    decimals, whole = decimal
    exact: Floats = np.add.reduceat(whole, starts) / 10.0**decimals
    return exact


def _vouched(at_ms: Int64s, vouched_ms: Int64s, edges_ms: Int64s) -> Int64s:
    if len(at_ms) == 0:
        return np.zeros(len(edges_ms) - 1, np.int64)
    before = np.concatenate(([0], np.cumsum(vouched_ms)))
    index = np.searchsorted(at_ms, edges_ms, side="right") - 1
    inside = np.minimum(edges_ms - at_ms[index], vouched_ms[index])
    until: Int64s = np.where(index < 0, 0, before[index] + inside)
    return np.diff(until)


def put_together(cells: Cells, bucket: Int64s, size: int) -> Cells:
    """Give `size` cells, each of those whose `bucket` (int64 (n,), not falling) is its index."""
    made = empty(size)
    if len(bucket) == 0:
        return made
    starts = np.flatnonzero(np.diff(bucket, prepend=-1))
    made.vouched_ms[bucket[starts]] = np.add.reduceat(cells.vouched_ms, starts)
    filled = cells.readings > 0
    if not filled.all():
        cells, bucket = chosen(cells, filled), bucket[filled]
        if len(bucket) == 0:
            return made
        starts = np.flatnonzero(np.diff(bucket, prepend=-1))
    into = bucket[starts]
    made.readings[into] = np.add.reduceat(cells.readings, starts)
    made.minimum[into] = np.minimum.reduceat(cells.minimum, starts)
    made.maximum[into] = np.maximum.reduceat(cells.maximum, starts)
    made.total[into] = np.add.reduceat(cells.total, starts)
    return made


def added(one: Cells, other: Cells) -> Cells:
    """Put two sets of cells over the same buckets together."""
    first, second = one.readings > 0, other.readings > 0
    minimum = np.where(first & second, np.minimum(one.minimum, other.minimum), one.minimum + other.minimum)
    maximum = np.where(first & second, np.maximum(one.maximum, other.maximum), one.maximum + other.maximum)
    return Cells(
        one.readings + other.readings, minimum, maximum, one.total + other.total, one.vouched_ms + other.vouched_ms
    )


def as_buckets(cells: Cells, edges_ms: Int64s) -> Buckets:
    """Give what the public interface gives. No mean leaves its bucket's range by rounding."""
    filled = cells.readings > 0
    minimum, maximum = (np.where(filled, column, np.nan) for column in (cells.minimum, cells.maximum))
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.clip(cells.total / cells.readings, minimum, maximum)
        # Where readings went by a rule, a cell stands in the bucket in which it begins, be that shorter than the cell.
    coverage = np.minimum(cells.vouched_ms / np.diff(edges_ms), 1.0)
    return Buckets(edges_ms, cells.readings, minimum, mean, maximum, coverage)
