"""What a forwarder must not forget, kept in the store's file: how far it has come, and what the other side refused.

Files of sites without a central engine have the tables too; they stay empty.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from ingest.site.series import SeriesKey
from ingest.store.file.sums import sound
from ingest.store.record.plain import canonical_json


class SetAside(NamedTuple):
    """A reading that the other side refused.  said: its words.  since_ms: when, by our clock (UTC)."""

    key: SeriesKey
    at_ms: int
    value: float
    revision: int
    said: str
    since_ms: int


def amendments(
    connection: sqlite3.Connection, keys: Sequence[SeriesKey], from_ms: int, to_ms: int
) -> dict[tuple[SeriesKey, int], int]:
    """Give how often readings with from_ms <= instant < to_ms were amended, those that were, by series and instant."""
    rows = connection.execute(
        f"SELECT sensor, quantity, at_ms, count(*) FROM {sound('amendment')} JOIN series ON series.id = series_id"
        " WHERE at_ms >= ? AND at_ms < ? GROUP BY series_id, at_ms",
        (from_ms, to_ms),
    )
    wanted = set(keys)
    found = {(SeriesKey(sensor, quantity), at_ms): count for sensor, quantity, at_ms, count in rows}
    return {place: count for place, count in found.items() if place[0] in wanted}


def load(connection: sqlite3.Connection, name: str) -> dict[str, Any] | None:
    """Give what was saved under a name, or None."""
    row = connection.execute(f"SELECT state FROM {sound('forwarding')} WHERE name = ?", (name,)).fetchone()
    return None if row is None else json.loads(row[0])


def save(connection: sqlite3.Connection, name: str, state: Mapping[str, Any]) -> None:
    """Save a forwarder's state under its name."""
    connection.execute(
        "INSERT INTO forwarding (name, state) VALUES (?1, ?2) ON CONFLICT (name) DO UPDATE SET state = ?2",
        (name, canonical_json(state)),
    )


def put_aside(connection: sqlite3.Connection, refused: Iterable[SetAside]) -> None:
    """Keep readings that were refused; one that is there already takes the newer words."""
    connection.executemany(
        "INSERT OR REPLACE INTO set_aside (sensor, quantity, at_ms, value, revision, said, since_ms)"
        " VALUES (?, ?, ?, ?, ?, ?, ?)",
        [(*one.key, one.at_ms, one.value, one.revision, one.said, one.since_ms) for one in refused],
    )


def take_back(connection: sqlite3.Connection, accepted: Iterable[SetAside]) -> None:
    """Drop readings that were accepted after all."""
    connection.executemany(
        "DELETE FROM set_aside WHERE sensor = ? AND quantity = ? AND at_ms = ?",
        [(*one.key, one.at_ms) for one in accepted],
    )


def count_aside(connection: sqlite3.Connection) -> int:
    """Give how many readings are set aside."""
    return int(connection.execute("SELECT count(*) FROM set_aside").fetchone()[0])


def aside(connection: sqlite3.Connection, limit: int) -> list[SetAside]:
    """Give readings that are set aside, those refused last first."""
    rows = connection.execute(
        f"SELECT sensor, quantity, at_ms, value, revision, said, since_ms FROM {sound('set_aside')}"
        " ORDER BY since_ms DESC, sensor, quantity, at_ms LIMIT ?",
        (limit,),
    )
    return [SetAside(SeriesKey(sensor, quantity), *rest) for sensor, quantity, *rest in rows]
