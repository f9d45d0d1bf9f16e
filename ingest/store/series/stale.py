"""Which stretches of which sensors have readings that the rollups do not know of yet.

A stretch reaches from the first to the last instant that was changed, both included; how far its influence goes beyond
(what vouches, what is derived) is worked out when it is asked for. Questions about it are answered from the readings.

Of derived series all rollups are stale at once when they were computed by other formulae, or for another air pressure.
"""

from __future__ import annotations

import functools
import sqlite3
import zlib
from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from ingest.physics.derived import DERIVED
from ingest.site.series import Int64s, SeriesKey
from ingest.store.series.view import View

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


EDITION: Final = 1
"""Raised whenever the pairing of a reading with its parents changes. A changed formula is seen by itself."""


@functools.cache
def _formulae() -> str:
    """Give a mark of what the formulae give for some air, to eight digits: another one when any of them changes."""
    temperature_c, rh_percent = (
        grid.ravel() for grid in np.meshgrid([-12.5, 3.25, 20.0, 31.0], [8.0, 35.0, 61.5, 97.0])
    )
    pressure_kpa = np.full(len(temperature_c), 98.7)
    table = [derived.compute(temperature_c, rh_percent, pressure_kpa) for derived in DERIVED.values()]
    text = " ".join(f"{value:.7e}" for column in table for value in np.asarray(column).tolist())
    return f"{zlib.crc32(text.encode('ascii')):08x}"


def derived_as_now(pressure_kpa: float) -> str:
    """Give what is noted in the file about rollups computed now: edition, formulae, pressure."""
    return f"{EDITION}-{_formulae()} {pressure_kpa!r}"


def derived_as(connection: sqlite3.Connection) -> str:
    """Give what is noted in the file."""
    return str(connection.execute("SELECT derived_as FROM state").fetchone()[0])


def holds(view: View, key: SeriesKey, pressure: Callable[[], float]) -> bool:
    """Say whether the rollups of a series may be used."""
    return key.quantity not in DERIVED or derived_as(view.connection) == derived_as_now(pressure())


def begin_derived_anew(connection: sqlite3.Connection, note: str) -> None:
    """Drop every rollup of a derived series, mark all that there is as stale, and note how they are computed now."""
    connection.execute("UPDATE state SET derived_as = ?", (note,))
    marks = ",".join("?" * len(DERIVED))
    connection.execute(f"DELETE FROM rollup WHERE quantity IN ({marks})", tuple(DERIVED))
    connection.execute("DELETE FROM stale")
    connection.execute(
        "INSERT INTO stale SELECT sensor, min(first_ms), max(last_ms) FROM series WHERE count > 0 GROUP BY sensor"
    )
