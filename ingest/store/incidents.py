"""Incidents: every state that one was in goes into the record; a table finds the newest."""

from __future__ import annotations

import json
import sqlite3

from ingest.site.incidents import Incident
from ingest.store import records
from ingest.store.plain import from_plain, to_plain


def put(connection: sqlite3.Connection, incident: Incident, *, at_ms: int, by: str) -> None:
    """Write a new incident or the new state of one; no change, no entry. One withdrawn stays in the record alone."""
    number = records.add(connection, "incident", incident.id, to_plain(incident), at_ms=at_ms, by=by)
    if number is not None and incident.withdrawn_ms is not None:
        connection.execute("DELETE FROM incident WHERE id = ?", (incident.id,))
    elif number is not None:
        connection.execute(
            "INSERT INTO incident (id, room, opened_ms, closed_ms, record) VALUES (?1, ?2, ?3, ?4, ?5) "
            "ON CONFLICT (id) DO UPDATE SET room = ?2, opened_ms = ?3, closed_ms = ?4, record = ?5",
            (incident.id, incident.room, incident.opened_ms, incident.closed_ms, number),
        )


def one(connection: sqlite3.Connection, incident: str) -> Incident | None:
    """Give an incident by its id as it stands, or None where there is none or it was withdrawn."""
    row = connection.execute(
        "SELECT body FROM incident JOIN record ON record.number = incident.record WHERE incident.id = ?", (incident,)
    ).fetchone()
    return None if row is None else from_plain(Incident, json.loads(row[0]))


def find(
    connection: sqlite3.Connection, *, room: str | None, only_open: bool, limit: int, before_ms: int | None
) -> list[Incident]:
    """Give incidents, newest `opened_ms` first.

    room: of this room, or None for all.  before_ms: opened before this instant, or None.  limit: at most so many.
    """
    wanted = {
        "room = ?": room,
        "opened_ms < ?": before_ms,
    }
    asked = {clause: value for clause, value in wanted.items() if value is not None}
    clauses = [*asked, *(["closed_ms IS NULL"] if only_open else [])]
    where = f"WHERE {' AND '.join(clauses)}" if clauses else ""
    rows = connection.execute(
        f"SELECT body FROM incident JOIN record ON record.number = incident.record {where} "  # noqa: S608 - constants
        "ORDER BY opened_ms DESC, incident.record DESC LIMIT ?",
        (*asked.values(), limit),
    )
    return [from_plain(Incident, json.loads(body)) for (body,) in rows]
