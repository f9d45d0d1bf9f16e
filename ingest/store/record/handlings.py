"""What people do about incidents: every state goes into the record, chained like everything else in it."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable

from ingest.site.actor import Actor
from ingest.site.handling import Handling
from ingest.store.record import records
from ingest.store.record.plain import from_plain, to_plain

KIND = "handling"


def put(connection: sqlite3.Connection, handling: Handling, *, at_ms: int, by: Actor) -> None:
    """Write where people stand with an incident now; no change, no entry."""
    records.add(connection, KIND, handling.incident, to_plain(handling), at_ms=at_ms, by=by)


def find(connection: sqlite3.Connection, incidents: Iterable[str]) -> dict[str, Handling]:
    """Give where people stand with these incidents; those that nobody touched are left out."""
    found = connection.execute(
        f"SELECT {records.COLUMNS} FROM record WHERE number IN ("
        "SELECT max(number) FROM record WHERE kind = ?1 AND subject IN (SELECT value FROM json_each(?2)) "
        "GROUP BY subject)",
        (KIND, json.dumps(sorted(set(incidents)))),
    )
    entries = [records.entry_or_before(connection, row) for row in found.fetchall()]
    return {one.subject: from_plain(Handling, one.body) for one in entries if one is not None}
