"""The second schema: batches staged as they come, sealed chunks, rollups; and the way of a first file's rows into it.

The whole way is one transaction: a power cut in the middle leaves the file of version 1 as it was.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from typing import Final

import numpy as np

from ingest.store.series import chunks
from ingest.store.series.chunk_format import Column

TABLES: Final = (
    "ALTER TABLE series ADD COLUMN sealed_through INTEGER NOT NULL DEFAULT 0",  # readings of batches up to it: sealed
    """
    CREATE TABLE state (
        -- One row: where the file stands.
        id           INTEGER PRIMARY KEY CHECK (id = 1),
        generation   INTEGER NOT NULL,  -- rises with every change of sealed data or of the list of series
        sealed_batch INTEGER NOT NULL,  -- every batch up to this number is sealed
        gone_through INTEGER NOT NULL,  -- every batch up to this number is deleted
        derived_as   TEXT NOT NULL      -- by which formulae and pressure the rollups of derived series were computed
    ) STRICT""",
    "INSERT INTO state VALUES (1, 1, 0, 0, '')",
    """
    CREATE TABLE batch (
        -- Readings as they came and were committed, until they are sealed into chunks. Numbers rise in the order of
        -- commit and are never used twice.
        number   INTEGER PRIMARY KEY,
        heard_ms INTEGER NOT NULL,      -- when they came, by our clock
        body     TEXT NOT NULL,         -- JSON: [series id, instant, value, marks, series id, instant, ...]; marks are
                                        -- 1 (instant of arrival) plus 2 (another value was there for this instant)
        bulk     TEXT                   -- JSON [series id, first, last] of readings that went straight into chunks
    ) STRICT""",
    """
    CREATE TABLE chunk (
        -- Sealed readings: one sensor, all its quantities, one stretch. FORMAT.md describes the body. The chunks of a
        -- sensor never overlap. A row is never changed: a new one takes its place.
        id      INTEGER PRIMARY KEY AUTOINCREMENT,
        sensor  TEXT NOT NULL,
        from_ms INTEGER NOT NULL,
        to_ms   INTEGER NOT NULL,       -- from_ms <= instant < to_ms
        body    BLOB NOT NULL,
        UNIQUE (sensor, from_ms)
    ) STRICT""",
    """
    CREATE TABLE rollup (
        -- Cells of count, minimum, maximum, sum and vouched time of one series. FORMAT.md describes the body.
        id        INTEGER PRIMARY KEY AUTOINCREMENT,
        series_id INTEGER NOT NULL REFERENCES series (id),  -- for a derived quantity, that of the sensor's rh_percent
        quantity  TEXT NOT NULL,
        from_ms   INTEGER NOT NULL,     -- of the block, a multiple of its span
        body      BLOB NOT NULL,
        UNIQUE (series_id, quantity, from_ms)
    ) STRICT""",
    """
    CREATE TABLE stale (
        -- Stretches of a sensor whose rollups do not know the newest sealed readings yet, both ends included.
        sensor   TEXT NOT NULL,
        first_ms INTEGER NOT NULL,
        last_ms  INTEGER NOT NULL,
        PRIMARY KEY (sensor, first_ms)
    ) STRICT, WITHOUT ROWID""",
    """
    CREATE TABLE damaged (
        -- Chunks that were found damaged when something had to be written into them, set aside with their bytes.
        id      INTEGER PRIMARY KEY,
        sensor  TEXT NOT NULL,
        from_ms INTEGER NOT NULL,
        to_ms   INTEGER NOT NULL,
        what    TEXT NOT NULL,
        body    BLOB NOT NULL
    ) STRICT""",
    """
    CREATE TABLE thinned (
        -- Chunks that went by a rule of retention; their rollups stay.
        sensor    TEXT NOT NULL,
        from_ms   INTEGER NOT NULL,
        to_ms     INTEGER NOT NULL,
        series_id INTEGER NOT NULL REFERENCES series (id),
        count     INTEGER NOT NULL,     -- how many readings of the series that were
        PRIMARY KEY (sensor, from_ms, series_id)
    ) STRICT, WITHOUT ROWID""",
    """
    CREATE TABLE feed (
        -- Who reads along with the changes, and up to which batch everything has been taken over.
        name     TEXT PRIMARY KEY,
        position INTEGER NOT NULL
    ) STRICT, WITHOUT ROWID""",
)

VIEWS: Final = (
    "DROP VIEW reading_by_name",
    "DROP TABLE reading",
    """
    CREATE VIEW reading AS
        -- The readings that are not sealed yet, as they came, for people with an ordinary SQLite tool. For sealed ones:
        -- lumberroom export, or ingest.store.open_for_reading in Python.
        SELECT
            max(CASE each.key % 4 WHEN 0 THEN each.value END) AS series_id,
            max(CASE each.key % 4 WHEN 1 THEN each.value END) AS at_ms,
            max(CASE each.key % 4 WHEN 2 THEN each.value END) AS value,
            max(CASE each.key % 4 WHEN 3 THEN each.value END) & 1 AS arrival
        FROM batch, json_each(batch.body) AS each
        GROUP BY batch.number, each.key / 4""",
    """
    CREATE VIEW reading_by_name AS
        SELECT sensor, quantity, strftime('%Y-%m-%dT%H:%M:%fZ', at_ms / 1000.0, 'unixepoch') AS at_utc, value
        FROM reading JOIN series ON series.id = reading.series_id""",
)

_ROW: Final = np.dtype([("at_ms", np.int64), ("value", np.float64), ("arrival", np.int8)])


_AT_ONCE_MS: Final = 64 * 86_400_000  # the widest slot of a chunk


def sealed_columns(connection: sqlite3.Connection, tell: Callable[[float], None]) -> None:
    """Make the tables of version 2, seal every row of the table `reading`, and mark all rollups as wanting."""
    for statement in TABLES:
        connection.execute(statement)
    whole = connection.execute("SELECT coalesce(sum(count), 0) FROM series").fetchone()[0]
    sensors = connection.execute("SELECT DISTINCT sensor FROM series WHERE count > 0 ORDER BY sensor").fetchall()
    done = 0
    for (sensor,) in sensors:
        for sealed in _sealed(connection, sensor):
            done += sealed
            tell(done / whole)
    connection.execute(
        "INSERT INTO stale SELECT sensor, min(first_ms), max(last_ms) FROM series WHERE count > 0 GROUP BY sensor"
    )
    for statement in VIEWS:
        connection.execute(statement)


def _sealed(connection: sqlite3.Connection, sensor: str) -> Iterator[int]:
    """Seal a sensor's rows stretch by stretch, so that no more than one is in memory; give how many each held."""
    found = connection.execute("SELECT id FROM series WHERE sensor = ? AND count > 0", (sensor,)).fetchall()
    ids = [series_id for (series_id,) in found]
    begin = -(2**53)
    while (first := _next_instant(connection, ids, begin)) is not None:
        end = (first // _AT_ONCE_MS + 1) * _AT_ONCE_MS
        columns = {series_id: _rows(connection, series_id, first, end) for series_id in ids}
        filled = {series_id: column for series_id, column in columns.items() if len(column.at_ms)}
        chunks.merge(connection, sensor, filled)
        yield sum(len(column.at_ms) for column in filled.values())
        begin = end


def _next_instant(connection: sqlite3.Connection, ids: list[int], from_ms: int) -> int | None:
    query = "SELECT min(at_ms) FROM reading WHERE series_id = ? AND at_ms >= ?"
    instants = [connection.execute(query, (series_id, from_ms)).fetchone()[0] for series_id in ids]
    return min((at_ms for at_ms in instants if at_ms is not None), default=None)


def _rows(connection: sqlite3.Connection, series_id: int, from_ms: int, to_ms: int) -> Column:
    rows = connection.execute(
        "SELECT at_ms, value, arrival FROM reading WHERE series_id = ? AND at_ms >= ? AND at_ms < ? ORDER BY at_ms",
        (series_id, from_ms, to_ms),
    )
    # fromiter over the cursor never holds more than one row as Python objects.
    table = np.fromiter(rows, dtype=_ROW)
    at_ms, value = (np.ascontiguousarray(table[name]) for name in ("at_ms", "value"))
    return Column(at_ms, value, table["arrival"] != 0)
