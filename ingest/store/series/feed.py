"""The feed of changes: which batches are still wanted by who reads along in the order of commit.

Without anybody reading along nothing is kept for the feed. Whoever wants it registers under a name; from then on
batches stay until all that are registered have said how far they have come, or until a rule lets them go.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from typing import Final

import numpy as np

from ingest.site.series import SeriesKey
from ingest.store.api import Changes
from ingest.store.series import heads, rows, staging
from ingest.store.series.chunk_format import Column
from ingest.store.series.staging import NOTHING, Staged
from ingest.store.series.view import View

_BULK_AT_ONCE: Final = 10_000


def may_go(connection: sqlite3.Connection) -> int:
    """Give the number up to which batches may be deleted."""
    sealed, wanted = connection.execute("SELECT sealed_batch, (SELECT min(position) FROM feed) FROM state").fetchone()
    return int(sealed if wanted is None else min(sealed, wanted))


def register(connection: sqlite3.Connection, name: str, position: int) -> None:
    """Keep changes after `position` for somebody, who calls again with a higher one when those before are done with."""
    connection.execute(
        "INSERT INTO feed (name, position) VALUES (?1, ?2) ON CONFLICT (name) DO UPDATE SET position = ?2",
        (name, position),
    )


def position(connection: sqlite3.Connection, name: str) -> int | None:
    """Give how far somebody has come, or None where nobody of that name is registered."""
    row = connection.execute("SELECT position FROM feed WHERE name = ?", (name,)).fetchone()
    return None if row is None else int(row[0])


def forget(connection: sqlite3.Connection, name: str) -> bool:
    """Keep nothing more for somebody; say whether anything was kept."""
    return connection.execute("DELETE FROM feed WHERE name = ?", (name,)).rowcount > 0


def trim(connection: sqlite3.Connection, *, before_ms: int) -> None:
    """Let go of what came before an instant of our clock, whoever wanted it."""
    row = connection.execute("SELECT max(number) FROM batch WHERE heard_ms < ?", (before_ms,)).fetchone()
    if row[0] is not None:
        connection.execute("UPDATE feed SET position = max(position, ?)", (row[0],))


def note_bulk(view: View, by_sensor: Mapping[str, Mapping[int, Column]], heard_ms: int) -> None:
    """Note readings that went straight into chunks, as stretches, where somebody reads along.

    heard_ms: when they came, by our clock (UTC ms).
    """
    if view.connection.execute("SELECT 1 FROM feed LIMIT 1").fetchone() is None:
        return
    number = heads.state_of(view.connection).top
    for columns in by_sensor.values():
        for series_id, column in columns.items():
            for begin in range(0, len(column.at_ms), _BULK_AT_ONCE):
                at_ms = column.at_ms[begin : begin + _BULK_AT_ONCE]
                number += 1
                stretch = json.dumps([series_id, int(at_ms[0]), int(at_ms[-1])])
                view.connection.execute(
                    "INSERT INTO batch (number, heard_ms, body, bulk) VALUES (?, ?, '[]', ?)",
                    (number, heard_ms, stretch),
                )


def changes(view: View, after: int, limit: int) -> Changes:
    """Give the changes after a number, in order: whole batches, about `limit` readings, at least one batch."""
    row = view.connection.execute("SELECT gone_through FROM state").fetchone()
    parts: list[Staged] = []
    count, through = 0, max(after, int(row[0]))
    found = view.connection.execute(
        f"SELECT {staging.COLUMNS}, bulk FROM batch WHERE number > ? ORDER BY number",
        (through,),
    )
    for number, body, is_sound, bulk in found:
        part = staging.readable(number, body, is_sound) if bulk is None else _bulk(view, number, bulk)
        parts.append(part)
        count, through = count + len(part.at_ms), number
        if count >= limit:
            break
    staged = staging.joined(parts)
    ids, key_index = np.unique(staged.series, return_inverse=True)
    keys = tuple(_key(view, series_id) for series_id in ids.tolist())
    lost = after < int(row[0])
    return Changes(keys, key_index.astype(np.int64), staged.at_ms, staged.value, staged.number, through, lost)


def _bulk(view: View, number: int, stretch: str) -> Staged:
    series_id, first_ms, last_ms = json.loads(stretch)
    column = rows.between(view, series_id, first_ms, last_ms + 1)
    if len(column) == 0:
        return NOTHING
    same = np.full(len(column), series_id, np.int64)
    return Staged(np.full(len(column), number), same, column.at_ms, column.value, np.zeros(len(column), np.int64))


def _key(view: View, series_id: int) -> SeriesKey:
    key = view.heads.keys[series_id]
    assert key is not None  # the file's batches name series of the file
    return key
