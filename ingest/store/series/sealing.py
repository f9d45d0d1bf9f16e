"""Staged readings into chunks, one sensor at a time, and what is noted about the series and the rollups with it.

Every function works inside the transaction that is open on `view.connection`, so that a reader sees all of it or
nothing. A staged reading counts as sealed when its batch's number is at most the `sealed_through` of its series;
batches that are sealed altogether are deleted, unless the feed of changes still wants them.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from typing import Final, NamedTuple

import numpy as np

from ingest.store.series import chunks, feed, heads, rows, staging, stale
from ingest.store.series.chunk_format import Column
from ingest.store.series.staging import AMENDS
from ingest.store.series.view import View

_NOTE: Final = """
    UPDATE series SET
        count = count + ?2,
        first_ms = min(coalesce(first_ms, ?3), ?3),
        last_value = CASE WHEN last_ms > ?4 THEN last_value ELSE ?5 END,
        last_ms = max(coalesce(last_ms, ?4), ?4),
        sealed_through = max(sealed_through, ?6)
    WHERE id = ?1"""
_DELETED_AT_ONCE: Final = 25


def next_generation(connection: sqlite3.Connection) -> int:
    """Note that sealed data or the list of series changes with this transaction."""
    row = connection.execute("UPDATE state SET generation = generation + 1 RETURNING generation").fetchone()
    return int(row[0])


@contextlib.contextmanager
def touching_chunks(view: View) -> Iterator[None]:
    """Change chunks inside this block: nothing of them is remembered, and the heads are read anew after it."""
    view.unpacked = None  # a chunk's number may come again if this transaction is rolled back
    next_generation(view.connection)
    yield
    refresh(view)


def refresh(view: View) -> None:
    """Read the heads anew inside the transaction that changed them."""
    state = heads.state_of(view.connection)
    fresh = heads.load(view.connection, state)
    fresh = heads.advanced(fresh, view.tail.all(state.sealed, state.top), state.top)
    for batch in view.own:
        fresh = heads.advanced(fresh, batch, state.top)
    view.heads = fresh


def merge(view: View, new: Mapping[str, Mapping[int, Column]]) -> None:
    """Merge readings that nobody has staged into their sensors' chunks, with the notes that belong to them.

    new: by sensor and series id; what amends is recognised by its instant being there already.
    """
    for sensor, columns_of in new.items():
        for series_id, column in columns_of.items():
            _note(view.connection, series_id, column, _added(view, series_id, column), 0)
        chunks.merge(view.connection, sensor, columns_of)
        _mark_stale(view, sensor, columns_of)


def _added(view: View, series_id: int, column: Column) -> int:
    """Give how many of the readings have instants that are not there yet."""
    if len(column.at_ms) == 0 or column.at_ms[0] > view.heads.last_ms[series_id]:
        return len(column.at_ms)
    held = rows.between(view, series_id, int(column.at_ms[0]), int(column.at_ms[-1]) + 1)
    return len(column.at_ms) - len(np.intersect1d(held.at_ms, column.at_ms, assume_unique=True))


class Sealing(NamedTuple):
    """One sensor's staged readings, worked out for sealing.

    notes: series id, its readings, how many of them are new, the batch through which it is sealed then.
    """

    sensor: str
    notes: list[tuple[int, Column, int, int]]
    rewritings: list[chunks.Rewriting]

    @property
    def readings(self) -> int:
        """How many readings are sealed."""
        return sum(len(column.at_ms) for _, column, _, _ in self.notes)


def plan(view: View, sensor: str) -> Sealing:
    """Work out what sealing all that is staged of a sensor has to write. Only reads."""
    notes = []
    for series_id in view.heads.of_sensor(sensor):
        staged = view.staged(series_id)
        if len(staged.at_ms):
            added = int(np.count_nonzero((staged.marks & AMENDS) == 0))
            notes.append((series_id, rows.staged_column(view, series_id), added, int(staged.number.max())))
    new = {series_id: column for series_id, column, _, _ in notes}
    return Sealing(sensor, notes, chunks.plan(view.connection, sensor, new, view.give_way))


def write(view: View, planned: Sealing) -> None:
    """Seal what was worked out, sealed data being as it was then. The heads must be read anew afterwards."""
    for note in planned.notes:
        _note(view.connection, *note)
    chunks.write(view.connection, planned.sensor, planned.rewritings)
    _mark_stale(view, planned.sensor, {series_id: column for series_id, column, _, _ in planned.notes})


def write_all(view: View, planned: Sequence[Sealing]) -> None:
    """Seal what was worked out for several sensors, and bring the heads up to it, of which little changes."""
    view.unpacked = None  # a chunk's number may come again if this transaction is rolled back
    next_generation(view.connection)
    for one in planned:
        write(view, one)
    through = {series_id: number for one in planned for series_id, _, _, number in one.notes}
    view.heads = heads.sealed(view.heads, heads.state_of(view.connection), through)


def seal_sensor(view: View, sensor: str) -> None:
    """Seal what is staged of a sensor. The heads must be read anew afterwards."""
    write(view, plan(view, sensor))


def staged_sensors(view: View) -> dict[str, int]:
    """Give the sensors of which something is staged, with how many readings."""
    state = view.heads.state
    staged = view.tail.all(state.sealed, state.top)
    waiting = staged.series[staged.number > view.heads.sealed_through[staged.series]]
    counts: dict[str, int] = {}
    for series_id, count in enumerate(np.bincount(waiting).tolist()):
        key = view.heads.keys[series_id] if count else None
        if key is not None:
            counts[key.sensor] = counts.get(key.sensor, 0) + count
    return counts


def note_sealed(view: View, through: int) -> None:
    """Note that every batch up to a number is sealed, the heads being up to date; where one is not, note nothing."""
    state = view.heads.state
    staged = staging.joined([view.tail.all(state.sealed, state.top), *view.own])
    staged = staging.chosen(staged, staged.number <= through)
    if bool((staged.number > view.heads.sealed_through[staged.series]).any()):
        return
    view.connection.execute("UPDATE state SET sealed_batch = max(sealed_batch, ?)", (through,))
    next_generation(view.connection)
    view.heads = heads.sealed(view.heads, heads.state_of(view.connection), {})


def delete_sealed(connection: sqlite3.Connection) -> bool:
    """Delete some of the batches that are sealed and that no feed wants; say whether there are more."""
    gone = connection.execute(
        "DELETE FROM batch WHERE number IN (SELECT number FROM batch WHERE number <= ? ORDER BY number LIMIT ?) "
        "RETURNING number",
        (feed.may_go(connection), _DELETED_AT_ONCE),
    ).fetchall()
    if gone:
        connection.execute("UPDATE state SET gone_through = max(gone_through, ?)", max(gone))
    return len(gone) == _DELETED_AT_ONCE


def _note(connection: sqlite3.Connection, series_id: int, column: Column, added: int, through: int) -> None:
    if len(column.at_ms):
        first_ms, last_ms, value = int(column.at_ms[0]), int(column.at_ms[-1]), float(column.value[-1])
        connection.execute(_NOTE, (series_id, added, first_ms, last_ms, value, through))


def _mark_stale(view: View, sensor: str, new: Mapping[int, Column]) -> None:
    filled = [column.at_ms for column in new.values() if len(column.at_ms)]
    for first_ms, last_ms in stale.clusters(filled):
        stale.mark(view.connection, sensor, first_ms, last_ms)
