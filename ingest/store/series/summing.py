"""Buckets put together from rollups, and from readings only where rollups cannot say it.

That is around edges that lie inside a cell, and where readings have come that the rollups do not know of yet: staged
ones, and stretches marked as stale, each with all that they influence.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Final

import numpy as np

from ingest.physics.derived import DERIVED
from ingest.site.series import Buckets, Int64s, SeriesKey
from ingest.store.series import cells, coverage, pairing, rollups, rows, stale
from ingest.store.series.cells import Cells
from ingest.store.series.context import around, instants_of
from ingest.store.series.squeeze import Damaged
from ingest.store.series.view import View

_PARTIAL_CELLS: Final = 16  # with more edges than this inside cells, one pass over the readings costs less
_MOST_CELLS: Final = 1_000_000  # a century of hours; what spans more has instants that no clock should have given
_PARENTS: Final = ("temperature_c", "rh_percent", "pressure_kpa")

Stretch = tuple[int, int]
"""from_ms <= t < to_ms."""


def buckets(view: View, key: SeriesKey, edges_ms: Int64s, pressure: Callable[[], float]) -> Buckets | None:
    """Give the buckets, or None where the readings themselves are the better source."""
    width = rollups.width_ms(key.quantity)
    from_ms, to_ms = int(edges_ms[0]), int(edges_ms[-1])
    thinned = [lost for lost in rollups.lost_of(view, key.sensor) if lost[0] < to_ms and lost[1] > from_ms]
    if not thinned and (to_ms - from_ms < 2 * width or to_ms - from_ms < width * (len(edges_ms) - 1) // 2):
        return None
    partial = np.unique(edges_ms[edges_ms % width != 0] // width) * width
    for begin, end in thinned:
        # There are no readings to look at: a cell belongs to the bucket in which it begins.
        partial = partial[(partial < begin) | (partial >= end)]
    stored = instants_of(view, key)
    if stored is None or (len(partial) > _PARTIAL_CELLS and not thinned) or not stale.holds(view, key, pressure):
        return None
    # Nothing lies outside what the heads say, and nothing vouches further than the longest allowed gap.
    first = int(view.heads.first_ms[stored.id]) // width * width
    last = -(-(stored.last_ms + coverage.MAX_GAP_MS + 1) // width) * width
    low, high = max(first, -(-from_ms // width) * width), min(last, -(-to_ms // width) * width)
    if not 0 < high - low <= _MOST_CELLS * width:
        return None
    unsettled = [_to_cells(stretch, width) for stretch in unsettled_of(view, key, from_ms, to_ms, pressure)]
    by_reading = _merged([*unsettled, *((begin, begin + width) for begin in partial.tolist())], from_ms, to_ms)
    if thinned:
        by_reading = _readable(view, stored.id, by_reading, thinned, width)
    elif 2 * sum(end - begin for begin, end in by_reading) > to_ms - from_ms:
        return None
    try:
        summed = _settled(view, stored.id, key, edges_ms, (low, high), by_reading)
    except Damaged as damaged:
        view.on_damage(f"rollup of {key.quantity} of {key.sensor}: {damaged}")
        return None
    for stretch in by_reading:
        summed = cells.added(summed, _read(view, key, edges_ms, stretch, pressure))
    return cells.as_buckets(summed, edges_ms)


def unsettled_of(view: View, key: SeriesKey, from_ms: int, to_ms: int, pressure: Callable[[], float]) -> list[Stretch]:
    """Give the stretches of a series that rollups may not know rightly: changed ones with all that they influence."""
    sensor = key.sensor
    changed = list(stale.of_sensor(view.connection, sensor))
    quantities: Iterable[str] = _PARENTS if key.quantity in DERIVED else (key.quantity,)
    staged = [
        rows.staged_column(view, view.heads.ids[SeriesKey(sensor, quantity)]).at_ms
        for quantity in quantities
        if SeriesKey(sensor, quantity) in view.heads.ids
    ]
    changed += stale.clusters([at_ms for at_ms in staged if len(at_ms)])
    # What lies further away than any reading vouches or is paired cannot reach in, but for its neighbours' pace.
    return [influence(view, key, first, last, pressure) for first, last in changed if first < to_ms or last >= from_ms]


def influence(view: View, key: SeriesKey, first_ms: int, last_ms: int, pressure: Callable[[], float]) -> Stretch:
    """Give the stretch of a series that a change of its, or its parents', readings in first..last can have changed."""
    if key.quantity in DERIVED:
        first_ms -= pairing.TEMPERATURE_AFTER_MS
        measured = rows.find(view, SeriesKey(key.sensor, "pressure_kpa")) is not None
        last_ms += pairing.PRESSURE_AGE_MS if measured else pairing.TEMPERATURE_AGE_MS
    begin, end = first_ms, last_ms
    stored = instants_of(view, key)
    if stored is not None and int(view.heads.first_ms[stored.id]) < first_ms:
        before = around(view, key, first_ms, first_ms, pressure).at_ms
        begin = min(first_ms, int(before[0])) if len(before) else first_ms
    if stored is not None and stored.last_ms > last_ms:
        after = around(view, key, last_ms + 1, last_ms + 1, pressure).at_ms
        end = max(last_ms, int(after[-1])) if len(after) else last_ms
    return begin, end + coverage.MAX_GAP_MS + 1


def _readable(
    view: View, series_id: int, stretches: list[Stretch], thinned: list[Stretch], width: int
) -> list[Stretch]:
    """Give stretches without the cells whose readings went: of those the rollup is all there is."""
    readable: list[Stretch] = []
    for begin, end in stretches:
        low, high = _to_cells((begin, end), width)
        gone = np.zeros((high - low) // width, np.bool_)
        for from_ms, to_ms in thinned:
            first, last = (max(low, min(high, edge)) for edge in _to_cells((from_ms, to_ms), width))
            if first < last:
                hours = rollups.closed(view, series_id, first, last).reshape(-1, width // rollups.MEASURED_MS)
                gone[(first - low) // width : (last - low) // width] |= hours.any(axis=1)
        runs = np.flatnonzero(np.diff(np.concatenate(([True], gone, [True])).astype(np.int8)))
        for first, last in (low + runs.reshape(-1, 2) * width).tolist():
            readable.append((max(first, begin), min(last, end)))
    return readable


def _to_cells(stretch: Stretch, width: int) -> Stretch:
    return stretch[0] // width * width, -(-stretch[1] // width) * width


def _merged(stretches: list[Stretch], from_ms: int, to_ms: int) -> list[Stretch]:
    """Give stretches cut to from..to, in order, those that touch made one."""
    merged: list[Stretch] = []
    for begin, end in sorted(stretches):
        low, high = max(begin, from_ms), min(end, to_ms)
        if low >= high:
            continue
        if merged and low <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], high))
        else:
            merged.append((low, high))
    return merged


def _settled(
    view: View, series_id: int, key: SeriesKey, edges_ms: Int64s, bounds: Stretch, by_reading: list[Stretch]
) -> Cells:
    """Put the cells of the rollup between bounds, but for those that must be read, into buckets."""
    width = rollups.width_ms(key.quantity)
    low, high = bounds
    held = rollups.dense(view, series_id, key.quantity, low, high)
    begins = np.arange(low, high, width)
    if by_reading:
        wanted = np.ones(len(begins), np.bool_)
        for begin, end in by_reading:
            wanted[slice(*np.searchsorted(begins, (begin // width * width, end)))] = False
        held, begins = cells.chosen(held, wanted), begins[wanted]
    bucket = np.searchsorted(edges_ms, begins, side="right") - 1
    return cells.put_together(held, bucket, len(edges_ms) - 1)


def _read(view: View, key: SeriesKey, edges_ms: Int64s, stretch: Stretch, pressure: Callable[[], float]) -> Cells:
    """Put the readings of a stretch into buckets."""
    begin, end = stretch
    inner = edges_ms[(edges_ms > begin) & (edges_ms < end)]
    cuts = np.concatenate(([begin], inner, [end]))
    samples = around(view, key, begin, end, pressure)
    held = cells.of_samples(samples, coverage.vouched_ms(samples.at_ms), cuts)
    bucket = np.searchsorted(edges_ms, cuts[:-1], side="right") - 1
    return cells.put_together(held, bucket, len(edges_ms) - 1)
