"""Readings into rows: what is new is inserted, what is there already is compared and, if it differs, amended.

A batch is sorted by series and instant first. What lies after its series' newest instant, nearly everything in ordinary
running, cannot be there yet and is inserted without a look; only late readings are looked up.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.site.series import Floats, Int64s, ReadingBatch, SeriesKey
from ingest.store.api import Appended
from ingest.store.series import sorting
from ingest.store.series.sorting import Sorted, same_bits

# CROSS JOIN holds SQLite to this order: one seek into the readings for each instant that is wanted.
_LOOK_UP: Final = """
    SELECT wanted.key, reading.value
    FROM json_each(?) AS wanted CROSS JOIN reading ON reading.series_id = ? AND reading.at_ms = wanted.value"""
_INSERT: Final = "INSERT INTO reading (series_id, at_ms, value, arrival) VALUES (?, ?, ?, ?)"
_AMEND: Final = "UPDATE reading SET value = ?, arrival = ? WHERE series_id = ? AND at_ms = ?"
_RECORD_AMENDMENT: Final = """
    INSERT INTO amendment (series_id, at_ms, old_value, new_value, amended_ms) VALUES (?, ?, ?, ?, ?)"""
_EXTEND: Final = """
    UPDATE series SET
        count = count + ?2,
        first_ms = min(coalesce(first_ms, ?3), ?3),
        last_value = CASE WHEN last_ms > ?4 THEN last_value ELSE ?5 END,
        last_ms = max(coalesce(last_ms, ?4), ?4)
    WHERE id = ?1"""
_LOOK_UP_AT_ONCE: Final = 20_000


def append(connection: sqlite3.Connection, batch: ReadingBatch, *, amended_ms: int) -> Appended:
    """Store a batch inside the transaction that is open on `connection`.

    amended_ms: the instant to put down for amendments.  Raises InputError (see `sorting.check`), and sqlite3.Error.
    """
    sorting.check(batch)
    batch_sorted = sorting.sort(batch)
    if len(batch_sorted.at_ms) == 0:
        return Appended(0, 0, 0)
    ids, last_ms = _series_of(connection, batch.keys)
    there, old = _look_up(connection, batch_sorted, ids, last_ms)
    _insert(connection, batch_sorted, ids, ~there)
    changed = there & ~same_bits(old, batch_sorted.value)
    _amend(connection, batch_sorted, ids, changed, old, amended_ms)
    _extend(connection, batch_sorted, ids, ~there)
    overwritten = len(batch_sorted.overwritten.at_ms)
    return Appended(
        stored=int(np.count_nonzero(~there)),
        repeated=batch_sorted.repeated + int(np.count_nonzero(there & ~changed)),
        amended=overwritten + int(np.count_nonzero(changed)),
    )


def _series_of(connection: sqlite3.Connection, keys: Iterable[SeriesKey]) -> tuple[Int64s, Int64s]:
    """Give each key's series id, made where it is new, and the newest instant that it holds (or the least int64)."""
    nothing = np.iinfo(np.int64).min
    found: list[tuple[int, int]] = []
    for key in keys:
        row = connection.execute(
            "SELECT id, coalesce(last_ms, ?) FROM series WHERE sensor = ? AND quantity = ?", (nothing, *key)
        ).fetchone()
        if row is None:
            made = connection.execute("INSERT INTO series (sensor, quantity, count) VALUES (?, ?, 0)", key)
            row = (made.lastrowid, nothing)
        found.append(row)
    ids, last_ms = np.array(found, dtype=np.int64).T
    return ids, last_ms


def _look_up(
    connection: sqlite3.Connection, batch: Sorted, ids: Int64s, last_ms: Int64s
) -> tuple[NDArray[np.bool_], Floats]:
    """Say which readings' instants are there already, and with what value."""
    there = np.zeros(len(batch.at_ms), dtype=np.bool_)
    old = np.zeros(len(batch.at_ms))
    late = np.flatnonzero(batch.at_ms <= last_ms[batch.key_index])
    for of_one_series in np.split(late, np.flatnonzero(np.diff(batch.key_index[late])) + 1):
        for begin in range(0, len(of_one_series), _LOOK_UP_AT_ONCE):
            some = of_one_series[begin : begin + _LOOK_UP_AT_ONCE]
            wanted = (json.dumps(batch.at_ms[some].tolist()), int(ids[batch.key_index[some[0]]]))
            for index, value in connection.execute(_LOOK_UP, wanted):
                there[some[index]] = True
                old[some[index]] = value
    return there, old


def _insert(connection: sqlite3.Connection, batch: Sorted, ids: Int64s, new: NDArray[np.bool_]) -> None:
    columns = (ids[batch.key_index[new]], batch.at_ms[new], batch.value[new], batch.arrival[new].astype(np.int64))
    connection.executemany(_INSERT, zip(*(column.tolist() for column in columns), strict=True))


def _amend(
    connection: sqlite3.Connection, batch: Sorted, ids: Int64s, changed: NDArray[np.bool_], old: Floats, at_ms: int
) -> None:
    """Keep the old values, then write the new ones.

    What was overwritten inside the batch is kept too; where the file had a third value, that came first.
    """
    file_ids = ids[batch.key_index[changed]].tolist()
    instants, new = batch.at_ms[changed].tolist(), batch.value[changed].tolist()
    inside = batch.overwritten
    kept = [*zip(file_ids, instants, old[changed].tolist(), new, strict=True)]
    kept += zip(
        ids[inside.key_index].tolist(), inside.at_ms.tolist(), inside.old.tolist(), inside.new.tolist(), strict=True
    )
    connection.executemany(_RECORD_AMENDMENT, ((*row, at_ms) for row in kept))
    arrival = batch.arrival[changed].astype(np.int64).tolist()
    connection.executemany(_AMEND, zip(new, arrival, file_ids, instants, strict=True))


def _extend(connection: sqlite3.Connection, batch: Sorted, ids: Int64s, new: NDArray[np.bool_]) -> None:
    """Bring each series' extent, count and newest value up to date."""
    starts = np.flatnonzero(np.diff(batch.key_index, prepend=-1))
    ends = np.append(starts[1:], len(batch.at_ms)) - 1
    columns = (
        ids[batch.key_index[starts]],
        np.add.reduceat(new.astype(np.int64), starts),
        batch.at_ms[starts],
        batch.at_ms[ends],
        batch.value[ends],
    )
    connection.executemany(_EXTEND, zip(*(column.tolist() for column in columns), strict=True))
