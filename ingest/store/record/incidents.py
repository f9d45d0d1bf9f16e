"""Incidents: every state that one was in goes into the record; a table finds the newest."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable
from typing import Any, Final, NamedTuple

from ingest.site.actor import Actor
from ingest.site.incidents import Incident, Severity
from ingest.store.file.sums import sound
from ingest.store.record import records
from ingest.store.record.plain import from_plain, to_plain

_FROM: Final = (
    f"SELECT incident.id, {records.COLUMNS} FROM {sound('incident')} JOIN record ON record.number = incident.record"
)


class Place(NamedTuple):
    """A place in the list of incidents, newest first: after the incident that opened then and has that id."""

    opened_ms: int
    incident: str


def put(connection: sqlite3.Connection, incident: Incident, *, at_ms: int, by: Actor) -> None:
    """Write a new incident or the new state of one; no change, no entry. One withdrawn stays in the record alone."""
    number = records.add(connection, "incident", incident.id, to_plain(incident), at_ms=at_ms, by=by)
    if number is not None:
        _write(connection, incident, number)


def write_missing(connection: sqlite3.Connection) -> None:
    """Write the rows by which incidents are found that the record has and the table has not."""
    subjects = connection.execute(
        "SELECT DISTINCT CAST(subject AS BLOB) FROM record WHERE kind = 'incident' "
        "AND subject NOT IN (SELECT id FROM incident)"
    ).fetchall()
    for (subject,) in subjects:
        entry = records.newest(connection, "incident", subject.decode("utf-8", "replace"))
        if entry is not None:
            _write(connection, from_plain(Incident, entry.body), entry.number)


def _write(connection: sqlite3.Connection, incident: Incident, number: int) -> None:
    if incident.withdrawn_ms is not None:
        connection.execute("DELETE FROM incident WHERE id = ?", (incident.id,))
    else:
        connection.execute(
            "INSERT INTO incident (id, room, opened_ms, closed_ms, record, kind, began_ms, severity) "
            "VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8) ON CONFLICT (id) DO UPDATE SET room = ?2, opened_ms = ?3, "
            "closed_ms = ?4, record = ?5, kind = ?6, began_ms = ?7, severity = ?8",
            (
                *(incident.id, incident.room, incident.opened_ms, incident.closed_ms, number),
                *(incident.kind.value, incident.began_ms, incident.severity.value),
            ),
        )


def one(connection: sqlite3.Connection, incident: str) -> Incident | None:
    """Give an incident by its id as it stands, or None where there is none or it was withdrawn."""
    found = _incidents(connection, connection.execute(f"{_FROM} WHERE incident.id = ?", (incident,)))
    return found[0] if found else None


def find(
    connection: sqlite3.Connection,
    *,
    room: str | None,
    only_open: bool,
    limit: int,
    before_ms: int | None,
    after: Place | None = None,
    at_least: Severity | None = None,
) -> list[Incident]:
    """Give incidents, newest `opened_ms` first, those that opened at one instant by their ids.

    room: of this room, or None for all.  before_ms: opened before this instant, or None.  after: those that come after
    this place in the list, or None.  at_least: as severe as this or more, or None for all.  limit: at most so many.
    """
    wanted = {
        "room = ?": room,
        "opened_ms < ?": before_ms,
        "severity IN (SELECT value FROM json_each(?))": None if at_least is None else _and_worse(at_least),
    }
    asked = {clause: value for clause, value in wanted.items() if value is not None}
    clauses = [*asked, *(["closed_ms IS NULL"] if only_open else []), *(["(opened_ms, id) < (?, ?)"] if after else [])]
    where = f"WHERE {' AND '.join(clauses)}" if clauses else ""
    rows = connection.execute(
        f"{_FROM} {where} ORDER BY opened_ms DESC, id DESC LIMIT ?", (*asked.values(), *(after or ()), limit)
    )
    return _incidents(connection, rows)


def _incidents(connection: sqlite3.Connection, rows: Iterable[tuple[Any, ...]]) -> list[Incident]:
    """Give the incidents of rows of `_FROM`, each as its newest sound entry has it."""
    found = []
    for subject, *row in list(rows):
        entry = records.entry_or_before(connection, tuple(row))
        if entry is None or (entry.kind, entry.subject) != ("incident", subject):
            entry = records.newest(connection, "incident", subject)
        if entry is not None:
            found.append(from_plain(Incident, entry.body))
    return found


def _and_worse(severity: Severity) -> str:
    in_order = [one.value for one in Severity]
    return json.dumps(in_order[in_order.index(severity.value) :])


def begun(connection: sqlite3.Connection, kinds: Iterable[str], from_ms: int, to_ms: int) -> list[Incident]:
    """Give incidents of some kinds (`IncidentKind` values) that began between two instants, both included (UTC ms)."""
    rows = connection.execute(
        f"{_FROM} WHERE incident.kind IN (SELECT value FROM json_each(?)) "
        "AND began_ms BETWEEN ? AND ? ORDER BY began_ms, id",
        (json.dumps(sorted(kinds)), from_ms, to_ms),
    )
    return _incidents(connection, rows)
