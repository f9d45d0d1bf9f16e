"""Whether a store's file is sound: asked of SQLite, of our own sums, and of the record's chain."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path
from typing import Final

from ingest.errors import StorageError
from ingest.store import opening, records
from ingest.store.trouble import as_storage_error

_SUMS: Final = """
    SELECT sensor, quantity, count, first_ms, last_ms, last_value, held, first, last,
           (SELECT value FROM reading WHERE series_id = id AND at_ms = last)
    FROM series LEFT JOIN (
        SELECT series_id, count(*) AS held, min(at_ms) AS first, max(at_ms) AS last FROM reading GROUP BY series_id
    ) ON series_id = id"""


def check_integrity(path: Path) -> list[str]:
    """Say in sentences what is wrong with a store's file; nothing where it is sound. Only reads; takes a full pass."""
    try:
        with contextlib.closing(opening.open_reader(path)) as connection:
            connection.execute("BEGIN")
            return [
                *_sqlite_faults(connection),
                *_sum_faults(connection),
                *records.verify_chain(connection),
                *_incident_faults(connection),
            ]
    except StorageError as error:
        return [str(error)]
    except sqlite3.Error as error:
        return [str(as_storage_error(error, path))]


def _sqlite_faults(connection: sqlite3.Connection) -> list[str]:
    answers = [row[0] for row in connection.execute("PRAGMA integrity_check(20)")]
    faults = [] if answers == ["ok"] else [f"file: {answer}" for answer in answers]
    strays = connection.execute("PRAGMA foreign_key_check").fetchmany(20)
    return faults + [f"table {table}: a row belongs to no row of {parent}" for table, _, parent, _ in strays]


def _sum_faults(connection: sqlite3.Connection) -> list[str]:
    faults = []
    for sensor, quantity, count, *noted, held, first, last, newest in connection.execute(_SUMS):
        if count != (held or 0):
            faults.append(f"{quantity} of {sensor}: {count} readings are noted, {held or 0} are there")
        elif noted != [first, last, newest]:
            faults.append(f"{quantity} of {sensor}: the noted extent or newest value is not that of the readings")
    return faults


def _incident_faults(connection: sqlite3.Connection) -> list[str]:
    behind = connection.execute("""
        SELECT id FROM incident
        WHERE record IS NOT (SELECT max(number) FROM record WHERE kind = 'incident' AND subject = id)""")
    faults = [f"incident {incident}: its newest record is not the one that is shown" for (incident,) in behind]
    lost = connection.execute("""
        SELECT DISTINCT subject FROM record WHERE kind = 'incident' AND subject NOT IN (SELECT id FROM incident)""")
    return faults + [f"incident {incident}: it stands in the record but is not shown" for (incident,) in lost]
