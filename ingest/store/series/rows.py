"""The SQL that reads stored readings: rows into columns, nothing computed."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from ingest.site.series import Sample, Series, SeriesKey
from ingest.store.api import SeriesExtent

_ROW: Final = np.dtype([("at_ms", np.int64), ("value", np.float64)])
_COLUMNS: Final = "SELECT at_ms, value FROM reading WHERE series_id = ?"


class StoredSeries(NamedTuple):
    """What the table `series` says of one series that holds at least one reading."""

    id: int
    last_ms: int
    last_value: float


def find(connection: sqlite3.Connection, key: SeriesKey) -> StoredSeries | None:
    """Give what is known of a series, or None where it holds nothing."""
    row = connection.execute(
        "SELECT id, last_ms, last_value FROM series WHERE sensor = ? AND quantity = ? AND count > 0",
        key,
    ).fetchone()
    return None if row is None else StoredSeries(*row)


def extents(connection: sqlite3.Connection) -> list[SeriesExtent]:
    """Give every series that holds something, by sensor and quantity."""
    rows = connection.execute(
        "SELECT sensor, quantity, first_ms, last_ms, count FROM series WHERE count > 0 ORDER BY sensor, quantity"
    )
    return [SeriesExtent(SeriesKey(sensor, quantity), *rest) for sensor, quantity, *rest in rows]


def latest(connection: sqlite3.Connection, keys: Sequence[SeriesKey]) -> dict[SeriesKey, Sample]:
    """Give the newest sample of each of these measured series; those that hold nothing are left out."""
    found = ((key, find(connection, key)) for key in keys)
    return {key: Sample(stored.last_ms, stored.last_value) for key, stored in found if stored is not None}


def between(connection: sqlite3.Connection, series_id: int, from_ms: int, to_ms: int) -> Series:
    """Give the samples with from_ms <= instant < to_ms, in order of time."""
    rows = connection.execute(f"{_COLUMNS} AND at_ms >= ? AND at_ms < ? ORDER BY at_ms", (series_id, from_ms, to_ms))
    return _columns(rows)


def last_before(connection: sqlite3.Connection, series_id: int, before_ms: int, limit: int) -> Series:
    """Give the last `limit` samples with instant < before_ms, in order of time."""
    rows = connection.execute(f"{_COLUMNS} AND at_ms < ? ORDER BY at_ms DESC LIMIT ?", (series_id, before_ms, limit))
    return _columns(reversed(rows.fetchall()))


def first_from(connection: sqlite3.Connection, series_id: int, from_ms: int, limit: int) -> Series:
    """Give the first `limit` samples with instant >= from_ms, in order of time."""
    rows = connection.execute(f"{_COLUMNS} AND at_ms >= ? ORDER BY at_ms LIMIT ?", (series_id, from_ms, limit))
    return _columns(rows)


def _columns(rows: object) -> Series:
    # fromiter over the cursor never holds more than one row as Python objects: a year of minutes is 8 MB and not 60.
    table = np.fromiter(rows, dtype=_ROW)  # type: ignore[call-overload]
    return Series(np.ascontiguousarray(table["at_ms"]), np.ascontiguousarray(table["value"]))


EMPTY: Final = Series(np.empty(0, np.int64), np.empty(0, np.float64))
"""A series without a sample."""


def joined(*parts: Series) -> Series:
    """Give one series of several that follow each other in time."""
    return Series(np.concatenate([part.at_ms for part in parts]), np.concatenate([part.value for part in parts]))
