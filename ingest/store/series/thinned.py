"""Stretches whose readings went by a rule of retention: what their rollups say is final, and what may still join it.

A cell of a thinned stretch is *closed* when its rollup counts more readings than there are left to read. To a closed
cell nothing can be added exactly: whether a late reading is a repeated one, an amended one or a new one, only the
readings that went could say. So it is not taken, and noted in the table `too_late`. Cells in which there never was a
reading (the sensor was out of reach, and gives its memory out later) take late readings like any others.

A derived cell is eight hours wide and computed from several readings at once: it stays as it was as soon as one of its
hours is closed, even where late readings join the open hours beside that one.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ingest.site.series import Int64s, SeriesKey, Span
from ingest.store.series import rollups, rows
from ingest.store.series.context import instants_of
from ingest.store.series.sorting import Sorted
from ingest.store.series.squeeze import Damaged
from ingest.store.series.view import View


@dataclass(frozen=True, slots=True)
class TooLate:
    """Readings of a sensor that came too late to be taken.  heard_ms: when the last of them came, by our clock."""

    sensor: str
    count: int
    first_ms: int
    last_ms: int
    heard_ms: int

    def in_words(self) -> str:
        """Say it in a sentence."""
        return (
            f"{self.count} readings of {self.sensor} from {rows.utc(self.first_ms)} to {rows.utc(self.last_ms)} came "
            "after the readings around them had gone by keep_readings_days; they were not taken, as nobody can tell "
            "any more whether they were in the statistics already."
        )


def stretches(connection: sqlite3.Connection, sensor: str) -> list[tuple[int, int]]:
    """Give the stretches of a sensor whose readings went, in order."""
    return connection.execute(
        "SELECT from_ms, max(to_ms) FROM thinned WHERE sensor = ? GROUP BY from_ms ORDER BY from_ms", (sensor,)
    ).fetchall()


def is_anything(connection: sqlite3.Connection) -> bool:
    """Say whether any readings went."""
    return connection.execute("SELECT 1 FROM thinned LIMIT 1").fetchone() is not None


def refused(view: View, batch: Sorted, keys: Sequence[SeriesKey], ids: Int64s, which: Int64s) -> Int64s:
    """Give those of some readings (by index) that fall into a closed cell.

    batch: in order of series and instant.  keys: those that `batch.key_index` points to.  ids: their series ids.
    """
    if len(which) == 0 or not is_anything(view.connection):
        return which[:0]
    found = []
    for key_index in np.unique(batch.key_index[which]).tolist():
        mine = which[batch.key_index[which] == key_index]
        for begin, end in stretches(view.connection, keys[key_index].sensor):
            inside = mine[(batch.at_ms[mine] >= begin) & (batch.at_ms[mine] < end)]
            if len(inside):
                found.append(inside[_in_closed_cells(view, int(ids[key_index]), batch.at_ms[inside])])
    return np.unique(np.concatenate(found)) if found else which[:0]


def _in_closed_cells(view: View, series_id: int, at_ms: Int64s) -> NDArray[np.bool_]:
    width = rollups.MEASURED_MS
    low, high = int(at_ms.min()) // width * width, (int(at_ms.max()) // width + 1) * width
    inside: NDArray[np.bool_] = rollups.closed(view, series_id, low, high)[(at_ms - low) // width]
    return inside


def without_kept(view: View, key: SeriesKey, gaps: list[Span]) -> list[Span]:
    """Give gaps without what the rollups of thinned stretches still know to have been covered."""
    stored = instants_of(view, key)
    lost = stretches(view.connection, key.sensor) if stored is not None else []
    if stored is None or not lost:
        return gaps
    width, left = rollups.width_ms(key.quantity), []
    for begin, end in gaps:
        low, high = begin // width * width, -(-end // width) * width
        edges = np.arange(low, high + width, width)
        gone = np.zeros(len(edges) - 1, np.bool_)
        for from_ms, to_ms in lost:
            gone[max(0, (from_ms - low) // width) : max(0, -(-(to_ms - low) // width))] = True
        try:
            kept = gone & (rollups.dense(view, stored.id, key.quantity, low, high).vouched_ms > 0)
        except Damaged:
            kept = gone
        runs = np.flatnonzero(np.diff(np.concatenate(([True], kept, [True])).astype(np.int8)))
        for first, last in edges[runs].reshape(-1, 2).tolist():
            left.append(Span(max(first, begin), min(last, end)))
    return left


def note_too_late(connection: sqlite3.Connection, sensor: str, at_ms: Int64s, heard_ms: int) -> None:
    """Note that readings of a sensor were not taken.  at_ms: their instants, at least one."""
    connection.execute(
        "INSERT INTO too_late (sensor, count, first_ms, last_ms, heard_ms) VALUES (?, ?, ?, ?, ?) "
        "ON CONFLICT (sensor) DO UPDATE SET count = count + excluded.count, heard_ms = excluded.heard_ms, "
        "first_ms = min(first_ms, excluded.first_ms), last_ms = max(last_ms, excluded.last_ms)",
        (sensor, len(at_ms), int(at_ms.min()), int(at_ms.max()), heard_ms),
    )


def too_late(connection: sqlite3.Connection) -> list[TooLate]:
    """Give what was not taken, by sensor."""
    found = connection.execute("SELECT sensor, count, first_ms, last_ms, heard_ms FROM too_late ORDER BY sensor")
    return [TooLate(*row) for row in found]
