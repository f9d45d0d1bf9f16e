"""Readings taken in: what is new is staged, what is there already is compared and, if it differs, amended.

A batch is sorted by series and instant first. What lies after its series' newest instant, nearly everything in ordinary
running, cannot be there yet and is not looked up; late readings are. A large batch with many readings per series goes
straight into chunks.
"""

from __future__ import annotations

import itertools
import sqlite3
from collections.abc import Mapping
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ingest.site.series import Floats, Int64s, ReadingBatch, SeriesKey
from ingest.store.api import Appended
from ingest.store.series import feed, heads, rows, sealing, sorting, staging, thinned
from ingest.store.series.chunk_format import Column
from ingest.store.series.sorting import Sorted, same_bits
from ingest.store.series.staging import AMENDS, ARRIVAL, Staged
from ingest.store.series.view import View

_RECORD_AMENDMENT: Final = """
    INSERT INTO amendment (series_id, at_ms, old_value, new_value, amended_ms) VALUES (?, ?, ?, ?, ?)"""
_APART_MS: Final = 4 * 86_400_000  # late readings further apart than this are looked up one group at a time
BULK_READINGS: Final = 20_000
BULK_PER_SERIES: Final = 500
"""A batch of at least so many readings, and on average so many per series, goes straight into chunks."""


def append(view: View, batch: ReadingBatch, *, amended_ms: int) -> tuple[Appended, frozenset[str]]:
    """Store a batch inside the transaction that is open on `view.connection`, and bring `view` up to it.

    Also gives the sensors of which there was a reading.

    amended_ms: the instant to put down for amendments.  Raises InputError for derived quantities, values that are not
    finite and absurd instants, and sqlite3.Error.
    """
    if len(batch) == 0:
        sorting.check_names(batch.keys)
        return Appended(0, 0, 0), frozenset()
    ids_or_none = list(map(view.heads.ids.get, batch.keys))
    if None in ids_or_none:
        # Those that are stored already were looked at when they came first.
        sorting.check_names(key for key, known in zip(batch.keys, ids_or_none, strict=True) if known is None)
    in_order = sorting.checked_and_sorted(batch)
    if None in ids_or_none:
        ids_or_none = _made(view, batch.keys)
    ids = np.array(ids_or_none, dtype=np.int64)
    late = _late(view, in_order, ids)
    known = _look_up(view, in_order, ids, late)
    changed = _NONE_CHANGED if known is None else known.there & ~same_bits(known.value, in_order.value)
    new, too_late = _not_too_late(view, in_order, batch.keys, ids, None if known is None else ~known.there, amended_ms)
    if new is not None and known is None:
        changed = np.zeros(len(new), np.bool_)
    _record_amendments(view.connection, in_order, ids, changed, known, amended_ms)
    if _is_bulk(in_order, batch.keys):
        _put_into_chunks(view, in_order, ids, None if new is None else new | changed, amended_ms)
    else:
        _stage(view, in_order, ids, new, changed, amended_ms)
    _note_rewritten(view, in_order, batch.keys, late)
    again = int(np.count_nonzero(changed))
    old = 0 if known is None else int(np.count_nonzero(known.there))
    appended = Appended(
        stored=len(in_order.at_ms) - old - too_late,
        repeated=in_order.repeated + old - again,
        amended=len(in_order.overwritten.at_ms) + again,
        too_late=too_late,
    )
    keys = batch.keys
    if len(in_order.starts) < len(keys):
        keys = tuple(keys[index] for index in in_order.key_index[in_order.starts].tolist())
    return appended, frozenset([key.sensor for key in keys])


_NONE_CHANGED: Final = np.empty(0, np.bool_)


class _Known(NamedTuple):
    """Which readings' instants are there already, and with what value."""

    there: NDArray[np.bool_]
    value: Floats


def _not_too_late(
    view: View, batch: Sorted, keys: tuple[SeriesKey, ...], ids: Int64s, new: NDArray[np.bool_] | None, heard_ms: int
) -> tuple[NDArray[np.bool_] | None, int]:
    """Leave out of what is new what falls where readings went by a rule; give how many those are, and note them.

    new: which readings are new, None for all of them.
    """
    if not thinned.is_anything(view.connection):
        return new, 0
    if new is None:
        new = np.ones(len(batch.at_ms), np.bool_)
    late = np.flatnonzero(new & (batch.at_ms <= view.heads.last_ms[ids][batch.key_index]))
    refused = thinned.refused(view, batch, keys, ids, late)
    taken = new.copy()
    taken[refused] = False
    for sensor in {keys[key_index].sensor for key_index in np.unique(batch.key_index[refused]).tolist()}:
        of_sensor = np.array([key.sensor == sensor for key in keys])
        at_ms = batch.at_ms[refused[of_sensor[batch.key_index[refused]]]]
        thinned.note_too_late(view.connection, sensor, at_ms, heard_ms)
    return taken, len(refused)


def _is_bulk(batch: Sorted, keys: tuple[SeriesKey, ...]) -> bool:
    count = len(batch.at_ms)
    return count >= BULK_READINGS and count >= BULK_PER_SERIES * len(keys)


def _made(view: View, keys: tuple[SeriesKey, ...]) -> list[int | None]:
    """Make the series that are new; give the ids of all."""
    made: dict[SeriesKey, int] = {}
    for key in keys:
        if key not in view.heads.ids and key not in made:
            row = view.connection.execute(
                "INSERT INTO series (sensor, quantity, count, sealed_through) VALUES (?, ?, 0, 0)", key
            )
            made[key] = int(row.lastrowid or 0)
    view.heads = heads.with_series(view.heads, made, sealing.next_generation(view.connection))
    return list(map(view.heads.ids.get, keys))


def _late(view: View, batch: Sorted, ids: Int64s) -> Int64s:
    """Give which readings are not newer than their series."""
    starts = batch.starts
    last_ms = view.heads.last_ms[ids]
    if not bool((batch.at_ms[starts] <= last_ms[batch.key_index[starts]]).any()):
        return _NONE_LATE
    return np.flatnonzero(batch.at_ms <= last_ms[batch.key_index])


_NONE_LATE: Final = np.empty(0, np.int64)


def _note_rewritten(view: View, batch: Sorted, keys: tuple[SeriesKey, ...], late: Int64s) -> None:
    for some in np.split(late, np.flatnonzero(np.diff(batch.key_index[late])) + 1) if len(late) else ():
        sensor, at_ms = keys[batch.key_index[some[0]]].sensor, int(batch.at_ms[some[0]])
        view.rewrote[sensor] = min(at_ms, view.rewrote.get(sensor, at_ms))


def _look_up(view: View, batch: Sorted, ids: Int64s, late: Int64s) -> _Known | None:
    """Say what is there already of what is late; None where nothing is."""
    if not len(late):
        return None
    there = np.zeros(len(batch.at_ms), dtype=np.bool_)
    old = np.zeros(len(batch.at_ms))
    apart = (np.diff(batch.key_index[late]) != 0) | (np.diff(batch.at_ms[late]) > _APART_MS)
    for some in np.split(late, np.flatnonzero(apart) + 1):
        at_ms = batch.at_ms[some]
        held = rows.between(view, int(ids[batch.key_index[some[0]]]), int(at_ms[0]), int(at_ms[-1]) + 1)
        if len(held):
            at = np.minimum(np.searchsorted(held.at_ms, at_ms), len(held) - 1)
            found = held.at_ms[at] == at_ms
            there[some[found]] = True
            old[some[found]] = held.value[at[found]]
    return _Known(there, old) if bool(there.any()) else None


def _record_amendments(
    connection: sqlite3.Connection,
    batch: Sorted,
    ids: Int64s,
    changed: NDArray[np.bool_],
    known: _Known | None,
    at_ms: int,
) -> None:
    """Keep the old values. What was overwritten inside the batch is kept too; a third value in the file came first."""
    inside = batch.overwritten
    kept: list[tuple[int, int, float, float]] = []
    if known is not None and changed.any():
        columns = ids[batch.key_index[changed]], batch.at_ms[changed], known.value[changed], batch.value[changed]
        kept += zip(*(column.tolist() for column in columns), strict=True)
    if len(inside.at_ms):
        columns = ids[inside.key_index], inside.at_ms, inside.old, inside.new
        kept += zip(*(column.tolist() for column in columns), strict=True)
    if kept:
        connection.executemany(_RECORD_AMENDMENT, ((*row, at_ms) for row in kept))


def _stage(
    view: View,
    batch: Sorted,
    ids: Int64s,
    new: NDArray[np.bool_] | None,
    changed: NDArray[np.bool_],
    heard_ms: int,
) -> None:
    """Stage what is new or changed.  new: None where all of it is."""
    which: NDArray[np.bool_] | slice = slice(None) if new is None else new | changed
    at_ms = batch.at_ms[which]
    if len(at_ms) == 0:
        return
    number = view.heads.state.top + 1
    staged = Staged(
        np.full(len(at_ms), number),
        ids[batch.key_index[which]],
        at_ms,
        batch.value[which],
        batch.arrival[which] * ARRIVAL + (0 if new is None else changed[which] * AMENDS),
    )
    staging.write(view.connection, staged, heard_ms)
    view.own.append(staged)
    view.heads = heads.advanced(view.heads, staged, number)


def _put_into_chunks(view: View, batch: Sorted, ids: Int64s, which: NDArray[np.bool_] | None, heard_ms: int) -> None:
    """Merge what is new or changed straight into the chunks of each sensor.  which: None where all of it is."""
    by_sensor: dict[str, dict[int, Column]] = {}
    for begin, end in itertools.pairwise([*batch.starts.tolist(), len(batch.at_ms)]):
        rows_of: slice | Int64s = slice(begin, end) if which is None else begin + np.flatnonzero(which[begin:end])
        column = Column(batch.at_ms[rows_of], batch.value[rows_of], batch.arrival[rows_of])
        series_id = int(ids[batch.key_index[begin]])
        if len(column.at_ms):
            by_sensor.setdefault(_sensor(view, series_id), {})[series_id] = column
    with sealing.touching_chunks(view):
        for sensor, columns_of in by_sensor.items():
            _seal_first_what_overlaps(view, sensor, columns_of)
        sealing.merge(view, by_sensor)
        feed.note_bulk(view, by_sensor, heard_ms)


def _seal_first_what_overlaps(view: View, sensor: str, new: Mapping[int, Column]) -> None:
    """Staged readings lie over the chunks: those of a stretch that is now written newer must go in before it."""
    for series_id, column in new.items():
        staged = view.staged(series_id).at_ms
        if len(staged) and bool(((staged >= column.at_ms[0]) & (staged <= column.at_ms[-1])).any()):
            sealing.seal_sensor(view, sensor)
            sealing.refresh(view)
            return


def _sensor(view: View, series_id: int) -> str:
    key = view.heads.keys[series_id]
    assert key is not None  # ids come from these very heads
    return key.sensor


def news(view: View, batch: ReadingBatch) -> ReadingBatch:
    """Give a batch without the readings that were there already: what is left is what this unit has staged."""
    staged = staging.joined(view.own)
    known = set(zip(staged.series.tolist(), staged.at_ms.tolist(), strict=True))
    ids = [view.heads.ids.get(key, -1) for key in batch.keys]
    places = zip(batch.key_index.tolist(), batch.at_ms.tolist(), strict=True)
    is_new = np.array([(ids[index], at_ms) in known for index, at_ms in places], dtype=np.bool_)
    return ReadingBatch(
        batch.keys, batch.key_index[is_new], batch.at_ms[is_new], batch.value[is_new], batch.arrival_stamped[is_new]
    )
