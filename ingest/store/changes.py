"""What was stored or amended, in the order of commit: the feed that a forwarder follows, late readings included.

Nothing is noted until somebody follows: `follow` makes the table and its triggers, and notes what is there already as
one stretch per series and day, oldest day first. From then on every commit that stores or amends a reading notes it in
the same transaction. `forget` drops what the follower has done with. A site without a central engine pays nothing.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from itertools import groupby
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.site.series import Floats, Int64s, SeriesKey

_FOLLOW: Final = (
    """
    CREATE TABLE IF NOT EXISTS change (
        -- A stretch of one series that was stored or amended; live readings are stretches of one instant.
        number    INTEGER PRIMARY KEY AUTOINCREMENT,   -- rises in the order of commit, never used twice
        series_id INTEGER NOT NULL REFERENCES series (id),
        from_ms   INTEGER NOT NULL,
        to_ms     INTEGER NOT NULL                     -- inclusive
    ) STRICT""",
    "CREATE INDEX IF NOT EXISTS amendment_of ON amendment (series_id, at_ms)",
    """
    CREATE TRIGGER IF NOT EXISTS reading_stored AFTER INSERT ON reading BEGIN
        INSERT INTO change (series_id, from_ms, to_ms) VALUES (NEW.series_id, NEW.at_ms, NEW.at_ms);
    END""",
    """
    CREATE TRIGGER IF NOT EXISTS reading_amended AFTER INSERT ON amendment BEGIN
        INSERT INTO change (series_id, from_ms, to_ms) VALUES (NEW.series_id, NEW.at_ms, NEW.at_ms);
    END""",
)
_PAST: Final = """
    INSERT INTO change (series_id, from_ms, to_ms)
    SELECT series_id, min(at_ms), max(at_ms) FROM reading
    GROUP BY at_ms / 86400000, series_id ORDER BY at_ms / 86400000, series_id"""
_CHANGES: Final = """
    SELECT change.number, series.sensor, series.quantity, reading.at_ms, reading.value,
           (SELECT count(*) FROM amendment WHERE series_id = reading.series_id AND at_ms = reading.at_ms)
    FROM change
    CROSS JOIN series ON series.id = change.series_id
    CROSS JOIN reading ON reading.series_id = change.series_id AND reading.at_ms BETWEEN change.from_ms AND change.to_ms
    WHERE change.number > ? ORDER BY change.number"""


@dataclass(frozen=True, slots=True)
class Changes:
    """Readings that were stored or amended, in the order of commit, each as it stands now.

    keys: the distinct series.  key_index: int32 (n,), into `keys`.  at_ms: int64 (n,), UTC.  value: float64 (n,).
    revision: int32 (n,), how often the reading was amended: 0 as it first came.  reached: ask after this next time;
    equal to what was asked for where there was nothing.
    """

    keys: tuple[SeriesKey, ...]
    key_index: NDArray[np.int32]
    at_ms: Int64s
    value: Floats
    revision: NDArray[np.int32]
    reached: int

    def __len__(self) -> int:
        return len(self.at_ms)


def is_followed(connection: sqlite3.Connection) -> bool:
    """Say whether changes are noted in this file."""
    return connection.execute("SELECT 1 FROM sqlite_schema WHERE name = 'change'").fetchone() is not None


def follow(connection: sqlite3.Connection) -> bool:
    """Begin to note changes, what is stored already first; inside a transaction. False where that was so already."""
    if is_followed(connection):
        return False
    for statement in _FOLLOW:
        connection.execute(statement)
    connection.execute(_PAST)
    return True


def since(connection: sqlite3.Connection, after: int, limit: int) -> Changes:
    """Give changes numbered above `after`, about `limit` readings (a stretch is never cut; it is a day at most)."""
    keys: dict[SeriesKey, int] = {}
    rows: list[tuple[int, int, float, int]] = []
    reached = after
    for number, stretch in groupby(connection.execute(_CHANGES, (after,)), key=lambda row: row[0]):
        if len(rows) >= limit:
            break
        reached = number
        for _, sensor, quantity, at_ms, value, revision in stretch:
            rows.append((keys.setdefault(SeriesKey(sensor, quantity), len(keys)), at_ms, value, revision))
    key_index, at_ms, value, revision = zip(*rows, strict=True) if rows else ((), (), (), ())
    return Changes(
        tuple(keys),
        np.array(key_index, dtype=np.int32),
        np.array(at_ms, dtype=np.int64),
        np.array(value, dtype=np.float64),
        np.array(revision, dtype=np.int32),
        reached,
    )


def until(connection: sqlite3.Connection) -> int:
    """Give the number of the newest change ever noted, forgotten or not; 0 where there was none."""
    row = connection.execute("SELECT seq FROM sqlite_sequence WHERE name = 'change'").fetchone()
    return 0 if row is None else int(row[0])


def forget(connection: sqlite3.Connection, upto: int) -> None:
    """Drop the changes up to and with that number."""
    connection.execute("DELETE FROM change WHERE number <= ?", (upto,))
