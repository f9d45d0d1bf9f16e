"""Every series' id, extent and newest value, sealed and staged together, as of one state of the file."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np

from ingest.site.series import Floats, Int64s, SeriesKey
from ingest.store.series.staging import AMENDS, Staged

NEVER: Final = int(np.iinfo(np.int64).min)
_EVER: Final = int(np.iinfo(np.int64).max)


class State(NamedTuple):
    """Which state of the file a snapshot sees.

    generation: rises with every change of sealed data.  sealed: every batch up to this number is sealed.  top: the
    newest batch's number.
    """

    generation: int
    sealed: int
    top: int


def state_of(connection: sqlite3.Connection) -> State:
    """Ask the file for its state."""
    row = connection.execute(
        "SELECT generation, sealed_batch, coalesce((SELECT max(number) FROM batch), 0) FROM state"
    ).fetchone()
    return State(row[0], row[1], max(row[1], row[2]))


@dataclass(frozen=True, slots=True)
class Heads:
    """Columns by series id (index 0 unused).

    count, first_ms, last_ms, sealed_through: int64; last_ms is NEVER where a series holds nothing. last_value: float64.
    """

    state: State
    ids: Mapping[SeriesKey, int]
    keys: tuple[SeriesKey | None, ...]
    count: Int64s
    first_ms: Int64s
    last_ms: Int64s
    last_value: Floats
    sealed_through: Int64s

    def of_sensor(self, sensor: str) -> list[int]:
        """Give the ids of a sensor's series."""
        return [series_id for key, series_id in self.ids.items() if key.sensor == sensor]


def load(connection: sqlite3.Connection, state: State) -> Heads:
    """Give the heads as they are sealed; what is staged is added by `advanced`."""
    rows = connection.execute(
        "SELECT id, sensor, quantity, count, first_ms, last_ms, last_value, sealed_through FROM series"
    ).fetchall()
    size = max((row[0] for row in rows), default=0) + 1
    ids, keys = {}, [None] * size
    columns = [np.full(size, fill, kind) for fill, kind in _BLANK]
    for series_id, sensor, quantity, count, first_ms, last_ms, last_value, through in rows:
        keys[series_id] = key = SeriesKey(sensor, quantity)  # type: ignore[call-overload]
        ids[key] = series_id
        known = (count, first_ms, last_ms, last_value, through) if count else (0, _EVER, NEVER, 0.0, through)
        for column, value in zip(columns, known, strict=True):
            column[series_id] = value
    return Heads(state, ids, tuple(keys), *columns)


_BLANK: Final = ((0, np.int64), (_EVER, np.int64), (NEVER, np.int64), (0.0, np.float64), (0, np.int64))


def with_series(heads: Heads, made: Mapping[SeriesKey, int], generation: int) -> Heads:
    """Add series that hold nothing yet."""
    size = max(made.values()) + 1
    grown = size - len(heads.count)
    columns = [
        np.concatenate([column, np.full(grown, fill, kind)]) if grown > 0 else column.copy()
        for column, (fill, kind) in zip(_columns(heads), _BLANK, strict=True)
    ]
    keys = list(heads.keys) + [None] * max(0, grown)
    for key, series_id in made.items():
        keys[series_id] = key
    state = heads.state._replace(generation=generation)
    return Heads(state, {**heads.ids, **made}, tuple(keys), *columns)


def advanced(heads: Heads, staged: Staged, top: int) -> Heads:
    """Give the heads with staged readings (in order of number) counted in, as of the batch `top`."""
    if len(staged.at_ms) and len(heads.count):
        which = staged.number > heads.sealed_through[staged.series]
        staged = staged if bool(which.all()) else Staged(*(column[which] for column in staged))
    if len(staged.at_ms) == 0:
        return replace(heads, state=heads.state._replace(top=top))
    count, first_ms, last_ms, last_value = (column.copy() for column in _columns(heads)[:4])
    np.add.at(count, staged.series, (staged.marks & AMENDS) == 0)
    np.minimum.at(first_ms, staged.series, staged.at_ms)
    order = np.lexsort((staged.number, staged.at_ms, staged.series))
    series = staged.series[order]
    newest = order[np.append(series[1:] != series[:-1], True)]
    newest = newest[staged.at_ms[newest] >= last_ms[staged.series[newest]]]
    last_ms[staged.series[newest]] = staged.at_ms[newest]
    last_value[staged.series[newest]] = staged.value[newest]
    return Heads(
        heads.state._replace(top=top), heads.ids, heads.keys, count, first_ms, last_ms, last_value, heads.sealed_through
    )


def _columns(heads: Heads) -> tuple[Int64s, Int64s, Int64s, Floats, Int64s]:
    return heads.count, heads.first_ms, heads.last_ms, heads.last_value, heads.sealed_through
