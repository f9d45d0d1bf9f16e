"""Every series' id, extent and newest value, sealed and staged together, as of one state of the file."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final, NamedTuple

import numpy as np

from ingest.site.series import Floats, Int64s, SeriesKey
from ingest.store.file.sums import SOUND, SUMS
from ingest.store.series import staging
from ingest.store.series.staging import AMENDS, Staged

NEVER: Final = int(np.iinfo(np.int64).min)
_EVER: Final = int(np.iinfo(np.int64).max)


_NAME, _HEAD = SUMS["series"]["name_sum"], SUMS["series"]["head_sum"]
_SERIES: Final = (
    "SELECT id, CAST(sensor AS BLOB), CAST(quantity AS BLOB), count, first_ms, last_ms, last_value, sealed_through, "
    f"name_sum IS {_NAME}, head_sum IS {_HEAD} FROM series"
)
_NAME_BY_INDEX: Final = (
    "SELECT CAST(named.sensor AS BLOB), CAST(named.quantity AS BLOB) "
    "FROM (SELECT id, sensor, quantity FROM series INDEXED BY sqlite_autoindex_series_1) AS named "
    "JOIN series ON series.id = named.id WHERE named.id = ? "
    "AND name_sum IS row_sum(named.id, CAST(named.sensor AS BLOB), CAST(named.quantity AS BLOB))"
)


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
        "SELECT generation, sealed_batch, coalesce((SELECT max(number) FROM batch), 0) "
        f"FROM state WHERE {SOUND['state']}"
    ).fetchone()
    if row is None:
        raise sqlite3.DatabaseError("the row of the table state is missing or damaged")
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
    """Give the heads as they are sealed; what is staged is added by `advanced`.

    A series whose name is damaged goes by the one that the index holds; where that is damaged too it is left out. One
    whose extent is damaged shows what is staged of it until it is counted again (when the store is opened for writing).
    """
    told = [_sound_row(connection, row) for row in connection.execute(_SERIES).fetchall()]
    rows = [row for row in told if row is not None]
    size = max((row[0] for row in rows), default=0) + 1
    ids: dict[SeriesKey, int] = {}
    keys: list[SeriesKey | None] = [None] * size
    heads = _blank(state, size)
    for series_id, sensor, quantity, count, first_ms, last_ms, last_value, through in rows:
        keys[series_id] = key = SeriesKey(sensor, quantity)
        ids[key] = series_id
        heads.sealed_through[series_id] = through
        if count:
            heads.count[series_id], heads.first_ms[series_id] = count, first_ms
            heads.last_ms[series_id], heads.last_value[series_id] = last_ms, last_value
    return replace(heads, ids=ids, keys=tuple(keys))


def _sound_row(connection: sqlite3.Connection, row: tuple[Any, ...]) -> tuple[Any, ...] | None:
    *known, name_is_sound, head_is_sound = row
    if not (name_is_sound and head_is_sound):
        connection.execute("SELECT unsound('series')").fetchone()
    if not name_is_sound:
        again = connection.execute(_NAME_BY_INDEX, (known[0],)).fetchone()
        if again is None:
            return None
        known[1:3] = again
    if not head_is_sound:
        known[3:7] = 0, None, None, None
    return (known[0], known[1].decode(), known[2].decode(), *known[3:])


def _blank(state: State, size: int) -> Heads:
    return Heads(
        state,
        {},
        (None,) * size,
        np.zeros(size, np.int64),
        np.full(size, _EVER, np.int64),
        np.full(size, NEVER, np.int64),
        np.zeros(size),
        np.zeros(size, np.int64),
    )


def with_series(heads: Heads, made: Mapping[SeriesKey, int], generation: int) -> Heads:
    """Add series that hold nothing yet."""
    size = max(len(heads.count), max(made.values()) + 1)
    blank = _blank(heads.state._replace(generation=generation), size)
    for mine, theirs in (
        (blank.count, heads.count),
        (blank.first_ms, heads.first_ms),
        (blank.last_ms, heads.last_ms),
        (blank.sealed_through, heads.sealed_through),
    ):
        mine[: len(theirs)] = theirs
    blank.last_value[: len(heads.last_value)] = heads.last_value
    keys = [*heads.keys, *blank.keys[len(heads.keys) :]]
    for key, series_id in made.items():
        keys[series_id] = key
    return replace(blank, ids={**heads.ids, **made}, keys=tuple(keys))


def sealed(heads: Heads, state: State, through: Mapping[int, int]) -> Heads:
    """Give the heads after staged readings were sealed, which changes nothing but where they are.

    through: by series id, the batch up to which they are sealed now.
    """
    sealed_through = heads.sealed_through.copy()
    for series_id, number in through.items():
        sealed_through[series_id] = max(sealed_through[series_id], number)
    return replace(heads, state=state, sealed_through=sealed_through)


def _newest(staged: Staged, size: int) -> Int64s:
    """Give the index of each series' newest reading; of one instant the last word.  size: how many ids there may be."""
    if staged.number[0] == staged.number[-1]:
        # One batch is by series and instant already.
        return np.flatnonzero(np.append(staged.series[1:] != staged.series[:-1], True))
    last_ms = np.full(size, NEVER, np.int64)
    np.maximum.at(last_ms, staged.series, staged.at_ms)
    newest = np.flatnonzero(staged.at_ms == last_ms[staged.series])
    order = newest[np.lexsort((staged.number[newest], staged.series[newest]))]
    last: Int64s = order[np.append(np.diff(staged.series[order]) != 0, True)]
    return last


def advanced(heads: Heads, staged: Staged, top: int) -> Heads:
    """Give the heads with staged readings (in order of number) counted in, as of the batch `top`."""
    if len(staged.at_ms) and len(heads.count):
        which = staged.number > heads.sealed_through[staged.series]
        staged = staged if bool(which.all()) else staging.chosen(staged, which)
    if len(staged.at_ms) == 0:
        return replace(heads, state=heads.state._replace(top=top))
    count, first_ms = heads.count.copy(), heads.first_ms.copy()
    last_ms, last_value = heads.last_ms.copy(), heads.last_value.copy()
    new = (staged.marks & AMENDS) == 0
    newest = _newest(staged, len(heads.count))
    if len(newest) == len(staged.series):  # one reading of each, as live batches mostly are
        count[staged.series] += new
        first_ms[staged.series] = np.minimum(first_ms[staged.series], staged.at_ms)
    else:
        count += np.bincount(staged.series[new], minlength=len(count))
        np.minimum.at(first_ms, staged.series, staged.at_ms)
    newest = newest[staged.at_ms[newest] >= last_ms[staged.series[newest]]]
    last_ms[staged.series[newest]] = staged.at_ms[newest]
    last_value[staged.series[newest]] = staged.value[newest]
    return Heads(
        heads.state._replace(top=top), heads.ids, heads.keys, count, first_ms, last_ms, last_value, heads.sealed_through
    )
