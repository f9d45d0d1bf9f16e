"""Rollups made to follow what was sealed: one stretch of one sensor at a time, all its series, measured and derived.

Working out only reads, and may take its time beside everything else; what it gives is written in one transaction, in
which the stretch ceases to be marked as stale.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final, NamedTuple

import numpy as np

from ingest.physics.derived import DERIVED
from ingest.site.series import Int64s, Series, SeriesKey
from ingest.store.series import cells, coverage, pairing, rollups, rows, stale
from ingest.store.series.cells import Cells, Frame
from ingest.store.series.context import around, companions_of, instants_of
from ingest.store.series.summing import influence
from ingest.store.series.view import View

READINGS_AT_ONCE: Final = 100_000
_DAY_MS: Final = 86_400_000
_LEAST_MS: Final = 3 * _DAY_MS


class Following(NamedTuple):
    """A stale stretch, how far it was worked out, and the blocks to be written for that."""

    sensor: str
    first_ms: int
    last_ms: int
    done_ms: int
    rows: list[rollups.Row]


def plan(view: View, sensor: str, first_ms: int, last_ms: int, pressure: Callable[[], float]) -> Following:
    """Work out the rollups of a stale stretch, or of its beginning. Only reads."""
    ids = view.heads.of_sensor(sensor)
    done_ms = min(last_ms, first_ms + _stretch_for(view, ids))
    frames = _Frames()
    for series_id in ids:
        key = view.heads.keys[series_id]
        if key is not None and instants_of(view, key) is not None:
            _roll(view, series_id, [key.quantity], influence(view, key, first_ms, done_ms, pressure), pressure, frames)
    humidity = view.heads.ids.get(SeriesKey(sensor, "rh_percent"))
    if humidity is not None and SeriesKey(sensor, "temperature_c") in view.heads.ids:
        reach = [influence(view, SeriesKey(sensor, name), first_ms, done_ms, pressure) for name in _PROBES]
        whole = min(begin for begin, _ in reach), max(end for _, end in reach)
        _roll(view, humidity, list(DERIVED), whole, pressure, frames)
    return Following(sensor, first_ms, last_ms, done_ms, rollups.packed(view))


def write(view: View, planned: Following) -> None:
    """Write what was worked out, sealed data and rollups being as they were then."""
    rollups.write(view.connection, planned.rows)
    stale.unmark(view.connection, planned.sensor, planned.first_ms, planned.last_ms, done_ms=planned.done_ms)


# Which samples a derived series has depends on what can be derived at each instant. These two differ most: a dew point
# needs some humidity, a wet bulb a temperature within its range.
_PROBES: Final = ("dew_point_c", "wet_bulb_c", "emc_percent")


def _stretch_for(view: View, ids: list[int]) -> int:
    """Give how long a stretch holds about `READINGS_AT_ONCE` readings of the sensor's densest series (ms)."""
    counts = view.heads.count[ids]
    densest = ids[int(np.argmax(counts))]
    length = max(1, int(view.heads.last_ms[densest] - view.heads.first_ms[densest])) if counts.max() else 1
    return max(_LEAST_MS, int(length * READINGS_AT_ONCE / max(1, int(counts.max()))))


def _roll(
    view: View,
    series_id: int,
    quantities: list[str],
    stretch: tuple[int, int],
    pressure: Callable[[], float],
    frames: _Frames,
) -> None:
    """Compute the cells of a stretch of series that have the instants of one stored series, and write them."""
    width = rollups.width_ms(quantities[0])
    begin, end = stretch[0] // width * width, -(-stretch[1] // width) * width
    key = view.heads.keys[series_id]
    assert key is not None  # asked for by its id
    for quantity, samples in _samples_of(view, key, quantities, begin, end, pressure):
        done = begin
        for low, high in _with_readings(samples.at_ms, begin, end):
            rollups.wipe(view, series_id, quantity, done, low)
            made = cells.framed(samples.value, frames.of(samples.at_ms, np.arange(low, high + width, width)))
            rollups.prepare(view, series_id, quantity, low, made)
            done = high
        rollups.wipe(view, series_id, quantity, done, end)


def _with_readings(at_ms: Int64s, begin: int, end: int) -> list[tuple[int, int]]:
    """Give the parts of a stretch in which there are readings or what they cover, to multiples of a day.

    at_ms: the readings of the stretch and those beside it. A sensor whose clock was decades wrong for a moment must not
    cost decades of empty cells.
    """
    parts: list[tuple[int, int]] = []
    for first, last in stale.clusters([at_ms]) if len(at_ms) else ():
        low = max(begin, first // _DAY_MS * _DAY_MS)
        high = min(end, -(-(last + coverage.MAX_GAP_MS + 1) // _DAY_MS) * _DAY_MS)
        if parts and low <= parts[-1][1]:
            low = parts.pop()[0]
        if low < high:
            parts.append((low, high))
    return parts


def _same(one: Int64s, other: Int64s) -> bool:
    return one is other or np.array_equal(one, other)


class _Frames:
    """The frames that were made last: series that were read together share their instants, and derived ones have them.

    Between the same edges, what follows from the same instants is worked out once.
    """

    def __init__(self) -> None:
        self._vouched: list[tuple[Int64s, Int64s]] = []
        self._made: list[tuple[Int64s, Int64s, Frame]] = []

    def of(self, at_ms: Int64s, edges_ms: Int64s) -> Frame:
        """Give the frame of the cells between edges."""
        for known, edges, frame in self._made:
            if edges[0] == edges_ms[0] and len(edges) == len(edges_ms) and _same(known, at_ms):
                return frame
        frame = cells.frame(at_ms, self._vouched_of(at_ms), edges_ms)
        self._made.append((at_ms, edges_ms, frame))
        return frame

    def _vouched_of(self, at_ms: Int64s) -> Int64s:
        for known, vouched in self._vouched:
            if _same(known, at_ms):
                return vouched
        vouched = coverage.vouched_ms(at_ms)
        self._vouched.append((at_ms, vouched))
        return vouched


def computed(
    view: View, series_id: int, quantities: list[str], begin: int, end: int, pressure: Callable[[], float]
) -> Iterator[tuple[str, Cells]]:
    """Give for each quantity the cells between two multiples of their width, from the readings.

    quantities: that of the stored series alone, or derived ones of which it has the instants.
    """
    width = rollups.width_ms(quantities[0])
    edges = np.arange(begin, end + width, width)
    key = view.heads.keys[series_id]
    assert key is not None  # asked for by its id
    frames = _Frames()
    for quantity, samples in _samples_of(view, key, quantities, begin, end, pressure):
        yield quantity, cells.framed(samples.value, frames.of(samples.at_ms, edges))


def _samples_of(
    view: View, key: SeriesKey, quantities: list[str], begin: int, end: int, pressure: Callable[[], float]
) -> Iterator[tuple[str, Series]]:
    """Give each quantity's samples of a stretch with their context."""
    own = around(view, key, begin, end, pressure)
    if quantities == [key.quantity]:
        yield key.quantity, own
        return
    companions = companions_of(view, key.sensor, int(own.at_ms[0]), int(own.at_ms[-1])) if len(own) else None
    if companions is None:
        yield from ((quantity, rows.EMPTY) for quantity in quantities)
        return
    view.give_way()
    paired = pairing.paired(companions[0], own, companions[1], pressure())
    for quantity, samples in pairing.compute(quantities, paired).items():
        if len(samples) == len(own):
            yield quantity, samples
        else:
            # Samples are missing: the context may reach too short, so it is looked for in the derived series itself.
            yield quantity, around(view, SeriesKey(key.sensor, quantity), begin, end, pressure)
