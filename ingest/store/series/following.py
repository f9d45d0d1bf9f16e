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
from ingest.store.series.cells import Cells
from ingest.store.series.context import around, companions_of, instants_of
from ingest.store.series.summing import influence
from ingest.store.series.view import View

READINGS_AT_ONCE: Final = 50_000
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
    for series_id in ids:
        key = view.heads.keys[series_id]
        if key is not None and instants_of(view, key) is not None:
            _roll(view, series_id, [key.quantity], influence(view, key, first_ms, done_ms, pressure), pressure)
    humidity = view.heads.ids.get(SeriesKey(sensor, "rh_percent"))
    if humidity is not None and SeriesKey(sensor, "temperature_c") in view.heads.ids:
        reach = [influence(view, SeriesKey(sensor, name), first_ms, done_ms, pressure) for name in _PROBES]
        whole = min(begin for begin, _ in reach), max(end for _, end in reach)
        _roll(view, humidity, list(DERIVED), whole, pressure)
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
    view: View, series_id: int, quantities: list[str], stretch: tuple[int, int], pressure: Callable[[], float]
) -> None:
    """Compute the cells of a stretch of series that have the instants of one stored series, and write them."""
    width = rollups.width_ms(quantities[0])
    begin, end = stretch[0] // width * width, -(-stretch[1] // width) * width
    for low, high in _with_readings(view, series_id, begin, end):
        for quantity in quantities:
            rollups.wipe(view, series_id, quantity, begin, low)
        for quantity, made in computed(view, series_id, quantities, low, high, pressure):
            rollups.prepare(view, series_id, quantity, low, made)
        begin = high
    for quantity in quantities:
        rollups.wipe(view, series_id, quantity, begin, end)


def _with_readings(view: View, series_id: int, begin: int, end: int) -> list[tuple[int, int]]:
    """Give the parts of a stretch in which there are readings or what they vouch for, to multiples of a day.

    A sensor whose clock was decades wrong for a moment must not cost decades of empty cells.
    """
    at_ms = rows.between(view, series_id, begin - coverage.MAX_GAP_MS, end).at_ms
    if len(at_ms) == 0:
        return []
    parts: list[tuple[int, int]] = []
    for first, last in stale.clusters([at_ms]):
        low = max(begin, first // _DAY_MS * _DAY_MS)
        high = min(end, -(-(last + coverage.MAX_GAP_MS + 1) // _DAY_MS) * _DAY_MS)
        if parts and low <= parts[-1][1]:
            low = parts.pop()[0]
        parts.append((low, high))
    return parts


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
    vouched: tuple[Int64s, Int64s] | None = None
    for quantity, samples in _samples_of(view, key, quantities, begin, end, pressure):
        if vouched is None or not np.array_equal(vouched[0], samples.at_ms):
            vouched = samples.at_ms, coverage.vouched_ms(samples.at_ms)
        yield quantity, cells.of_samples(samples, vouched[1], edges)


def _samples_of(
    view: View, key: SeriesKey, quantities: list[str], begin: int, end: int, pressure: Callable[[], float]
) -> Iterator[tuple[str, Series]]:
    """Give each quantity's samples of a stretch with their context."""
    if quantities == [key.quantity]:
        yield key.quantity, around(view, key, begin, end, pressure)
        return
    humidity = around(view, key, begin, end, pressure)
    companions = (
        companions_of(view, key.sensor, int(humidity.at_ms[0]), int(humidity.at_ms[-1])) if len(humidity) else None
    )
    if companions is None:
        yield from ((quantity, rows.EMPTY) for quantity in quantities)
        return
    paired = pairing.paired(companions[0], humidity, companions[1], pressure())
    for quantity in quantities:
        samples = pairing.compute(quantity, paired)
        if len(samples) == len(humidity):
            yield quantity, samples
        else:
            # Samples are missing: the context may reach too short, so it is looked for in the derived series itself.
            yield quantity, around(view, SeriesKey(key.sensor, quantity), begin, end, pressure)
