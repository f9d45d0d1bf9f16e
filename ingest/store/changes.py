"""What was stored or amended, in the order of commit: the feed that a forwarder follows, late readings included.

Nothing is noted until somebody follows (`register` makes the tables and triggers). From then on every commit that
stores or amends a reading notes it in the same transaction, and what all followers have taken over is dropped.
What was there before is not in the feed: it is read from the series themselves.
"""

from __future__ import annotations

import sqlite3
from typing import Final, NamedTuple

import numpy as np

from ingest.site.series import Floats, Int64s, SeriesKey

_TABLES: Final = (
    """
    CREATE TABLE IF NOT EXISTS change (
        number    INTEGER PRIMARY KEY AUTOINCREMENT,   -- rises in the order of commit, never used twice
        series_id INTEGER NOT NULL REFERENCES series (id),
        at_ms     INTEGER NOT NULL
    ) STRICT""",
    """
    CREATE TABLE IF NOT EXISTS feed (
        -- Who reads along with the changes, and up to which one everything has been taken over.
        name     TEXT PRIMARY KEY,
        position INTEGER NOT NULL
    ) STRICT, WITHOUT ROWID""",
    """
    CREATE TRIGGER IF NOT EXISTS reading_stored AFTER INSERT ON reading BEGIN
        INSERT INTO change (series_id, at_ms) VALUES (NEW.series_id, NEW.at_ms);
    END""",
    """
    CREATE TRIGGER IF NOT EXISTS reading_amended AFTER INSERT ON amendment BEGIN
        INSERT INTO change (series_id, at_ms) VALUES (NEW.series_id, NEW.at_ms);
    END""",
)
_CHANGES: Final = """
    SELECT change.number, series.sensor, series.quantity, reading.at_ms, reading.value
    FROM change
    CROSS JOIN series ON series.id = change.series_id
    CROSS JOIN reading ON reading.series_id = change.series_id AND reading.at_ms = change.at_ms
    WHERE change.number > ? ORDER BY change.number LIMIT ?"""


class Changes(NamedTuple):
    """Readings in the order in which they were committed.

    keys: distinct series.  key_index: int64 (n,).  at_ms: int64 (n,).  value: float64 (n,).  number: int64 (n,), of the
    change that brought it, not falling.  through: ask on from here.  lost: changes after the asked one are gone
    already, so that whoever reads along must begin anew from the series themselves.
    """

    keys: tuple[SeriesKey, ...]
    key_index: Int64s
    at_ms: Int64s
    value: Floats
    number: Int64s
    through: int
    lost: bool


def _is_followed(connection: sqlite3.Connection) -> bool:
    return connection.execute("SELECT 1 FROM sqlite_schema WHERE name = 'change'").fetchone() is not None


def register(connection: sqlite3.Connection, name: str, position: int) -> None:
    """Keep changes after `position` for somebody, who calls again with a higher one when those before are done with."""
    if not _is_followed(connection):
        for statement in _TABLES:
            connection.execute(statement)
    connection.execute(
        "INSERT INTO feed (name, position) VALUES (?1, ?2) ON CONFLICT (name) DO UPDATE SET position = ?2",
        (name, position),
    )
    connection.execute("DELETE FROM change WHERE number <= (SELECT min(position) FROM feed)")


def since(connection: sqlite3.Connection, after: int, limit: int) -> Changes:
    """Give the changes after a number, in order, about `limit` readings."""
    if not _is_followed(connection):
        rows: list[tuple[int, str, str, int, float]] = []
        gone = 0
    else:
        rows = connection.execute(_CHANGES, (after, limit)).fetchall()
        gone = connection.execute("SELECT coalesce(min(position), 0) FROM feed").fetchone()[0]
    keys: dict[SeriesKey, int] = {}
    key_index = [keys.setdefault(SeriesKey(row[1], row[2]), len(keys)) for row in rows]
    number, at_ms, value = ([row[column] for row in rows] for column in (0, 3, 4))
    return Changes(
        tuple(keys),
        np.array(key_index, dtype=np.int64),
        np.array(at_ms, dtype=np.int64),
        np.array(value, dtype=np.float64),
        np.array(number, dtype=np.int64),
        through=max(after, gone, rows[-1][0] if rows else 0),
        lost=after < gone,
    )


def newest(connection: sqlite3.Connection) -> int:
    """Give the number of the newest change ever noted; 0 where there was none."""
    if not _is_followed(connection):
        return 0
    row = connection.execute("SELECT seq FROM sqlite_sequence WHERE name = 'change'").fetchone()
    return 0 if row is None else int(row[0])
