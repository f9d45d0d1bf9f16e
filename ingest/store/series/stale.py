"""Which stretches of which sensors have readings that the rollups do not know of yet.

A stretch reaches from the first to the last instant that was changed, both included; how far its influence goes beyond
(what vouches, what is derived) is worked out when it is asked for. Questions about it are answered from the readings.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Final

import numpy as np

from ingest.site.series import Int64s

APART_MS: Final = 86_400_000
"""Changes that lie further apart than this are stretches of their own."""


_NEAR: Final = "FROM stale WHERE sensor = ? AND first_ms <= ? AND last_ms >= ?"


def clusters(changed: Sequence[Int64s]) -> list[tuple[int, int]]:
    """Give the stretches in which instants lie, in order.  changed: columns, each rising and not empty."""
    pieces: list[tuple[int, int]] = []
    for at_ms in changed:
        cuts = _gaps_in(at_ms)
        begins, ends = np.append(0, cuts), np.append(cuts, len(at_ms)) - 1
        pieces += zip(at_ms[begins].tolist(), at_ms[ends].tolist(), strict=True)
    merged: list[tuple[int, int]] = []
    for first, last in sorted(pieces):
        if merged and first - merged[-1][1] <= APART_MS:
            merged[-1] = (merged[-1][0], max(merged[-1][1], last))
        else:
            merged.append((first, last))
    return merged


_STRIDE: Final = 64


def _gaps_in(at_ms: Int64s) -> Int64s:
    """Give where a stretch begins that lies apart from what is before it."""
    # As a rule nothing does, which is seen from every 64th instant: a gap is no longer than the steps around it.
    if len(at_ms) > _STRIDE and int(np.diff(np.append(at_ms[::_STRIDE], at_ms[-1])).max()) <= APART_MS:
        return np.empty(0, np.int64)
    return np.flatnonzero(np.diff(at_ms) > APART_MS) + 1


def mark(connection: sqlite3.Connection, sensor: str, first_ms: int, last_ms: int) -> None:
    """Mark a stretch; it is put together with those near it."""
    near = (sensor, last_ms + APART_MS, first_ms - APART_MS)
    first, last = connection.execute(f"SELECT min(first_ms), max(last_ms) {_NEAR}", near).fetchone()
    if first is not None:
        if first <= first_ms and last >= last_ms:
            return
        connection.execute(f"DELETE {_NEAR}", near)
        first_ms, last_ms = min(first, first_ms), max(last, last_ms)
    connection.execute("INSERT INTO stale (sensor, first_ms, last_ms) VALUES (?, ?, ?)", (sensor, first_ms, last_ms))


def unmark(connection: sqlite3.Connection, sensor: str, first_ms: int, last_ms: int, *, done_ms: int) -> None:
    """Take away a stretch whose rollups are right up to an instant, and leave the rest of it."""
    key = (sensor, first_ms, last_ms)
    connection.execute("DELETE FROM stale WHERE sensor = ? AND first_ms = ? AND last_ms = ?", key)
    if done_ms < last_ms:
        connection.execute("INSERT INTO stale VALUES (?, ?, ?)", (sensor, done_ms + 1, last_ms))


def of_sensor(connection: sqlite3.Connection, sensor: str) -> list[tuple[int, int]]:
    """Give the stretches of one sensor, in order."""
    return connection.execute(
        "SELECT first_ms, last_ms FROM stale WHERE sensor = ? ORDER BY first_ms", (sensor,)
    ).fetchall()


def next_one(connection: sqlite3.Connection, after: str) -> tuple[str, int, int] | None:
    """Give some stretch, of the next sensor by name after that one, beginning again at the first; None if none is."""
    query = "SELECT sensor, first_ms, last_ms FROM stale WHERE sensor > ? ORDER BY sensor, first_ms LIMIT 1"
    row: tuple[str, int, int] | None = connection.execute(query, (after,)).fetchone()
    return row or connection.execute(query, ("",)).fetchone()
