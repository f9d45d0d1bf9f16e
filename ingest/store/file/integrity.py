"""Whether a store's file is sound: asked of SQLite, of our own sums, of every chunk and rollup, and of the record."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from ingest.errors import StorageError
from ingest.store.file import newest, opening, shape, sums, write_ahead_log
from ingest.store.file.trouble import as_storage_error
from ingest.store.record import records
from ingest.store.series import examining

_TOLD: Final = 3
"""How many of SQLite's own findings are told: where one page is broken, it finds it from every side."""


def check_integrity(path: Path) -> list[str]:
    """Say in sentences what is wrong with a store's file; nothing where it is sound. Only reads; takes a full pass.

    Where a table is missing only that is told: what depends on it cannot be asked for.
    """
    lost = None if opening.is_being_written(path) else write_ahead_log.loss(path)
    noted = newest.noted(path)  # before the file is looked at: who writes it may go on
    try:
        with contextlib.closing(opening.open_reader(path)) as connection:
            connection.execute("BEGIN")
            lacking = [*([str(lost)] if lost is not None else []), *shape.faults(connection)]
            can_be_asked = shape.has_tables(connection) and shape.has_state(connection)
            if can_be_asked:
                lacking += newest.missing(noted, newest.newest_of(connection))
            found = [*lacking, *(_faults(connection, path) if can_be_asked else structure_faults(connection))]
            return list(dict.fromkeys(found))
    except StorageError as error:
        return [*([str(lost)] if lost is not None else []), str(error)]
    except sqlite3.Error as error:
        return [str(as_storage_error(error, path))]


def _faults(connection: sqlite3.Connection, path: Path) -> Iterator[str]:
    """Give what is wrong, from the file's own structure to what stands in it; what cannot be read ends its part."""
    parts = (
        structure_faults,
        strays,
        _unsound,
        examining.faults,
        records.verify_chain,
        incident_faults,
        unreadable_notes,
    )
    for part in parts:
        try:
            yield from part(connection)
        except sqlite3.DatabaseError as error:
            yield str(as_storage_error(error, path))


def structure_faults(connection: sqlite3.Connection, of: str = "20") -> list[str]:
    """Give what SQLite finds wrong with the file's pages.  of: how much it tells at most, or a table in quotes."""
    rows = connection.execute(f"PRAGMA integrity_check({of})")
    answers = [line for row in rows for line in str(row[0]).splitlines()]
    told = [answer for answer in answers if answer != "ok" and not answer.startswith("***")]
    faults = [f"file: {answer}" for answer in told[:_TOLD]]
    return faults + (
        [f"file: and more of the kind, {len(told) - _TOLD} of them looked at"] if len(told) > _TOLD else []
    )


def strays(connection: sqlite3.Connection) -> list[str]:
    """Give rows that belong to no row of the table that they point to."""
    found = connection.execute("PRAGMA foreign_key_check").fetchmany(20)
    return [f"table {table}: a row belongs to no row of {parent}" for table, _, parent, _ in found]


def _unsound(connection: sqlite3.Connection) -> Iterator[str]:
    tables = [table for table in sums.SUMS if table not in ("batch", "state")]  # these are told by who reads them
    yield from map(str, sums.unsound(connection, tables))


def incident_faults(connection: sqlite3.Connection) -> list[str]:
    """Give incidents that are not shown as the record has them."""
    behind = connection.execute("""
        SELECT id FROM incident
        WHERE record IS NOT (SELECT max(number) FROM record WHERE kind = 'incident' AND subject = id)""")
    faults = [f"incident {incident}: its newest record is not the one that is shown" for (incident,) in behind]
    lost = connection.execute("""
        SELECT subject, body FROM record WHERE number IN (
            SELECT max(number) FROM record WHERE kind = 'incident' AND subject NOT IN (SELECT id FROM incident)
            GROUP BY subject)""")
    # One that readings which came late took back stands in the record alone.
    faults += [
        f"incident {incident}: it stands in the record but is not shown"
        for incident, body in lost
        if json.loads(body).get("withdrawn_ms") is None
    ]
    strays = connection.execute("""
        SELECT DISTINCT subject FROM record AS action WHERE kind = 'handling' AND NOT EXISTS (
            SELECT 1 FROM record WHERE kind = 'incident' AND subject = action.subject AND number < action.number)""")
    return faults + [
        f"incident {incident}: people did something about it before it was there" for (incident,) in strays
    ]


NOTES: Final = (
    ("judgement", "room", "state", "what the watch remembers of room {}"),
    ("notice", "number", "facts", "notice {}"),
    ("forwarding", "name", "state", "what is kept of {}"),
)
"""Tables whose rows hold JSON of other parts, and how such a row is named."""


def unreadable_notes(connection: sqlite3.Connection) -> Iterator[str]:
    """Give rows of `NOTES` of which the JSON cannot be read."""
    for table, key, column, name in NOTES:
        query = f"SELECT {key} FROM {table} WHERE NOT json_valid({column})"
        for (which,) in connection.execute(query):
            yield f"{name.format(which)}: it cannot be read"
