"""Batches as they came, staged until they are sealed: one row each, so that a durable commit is cheap.

A batch is JSON, a flat list of four numbers per reading: series id, instant, value, marks. Python's JSON gives every
float64 back bit for bit, and an ordinary SQLite tool can read it (view `reading`). Readings that only repeat what is
there are not staged. Batch numbers rise in the order of commit and are never used twice.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ingest.site.series import Floats, Int64s
from ingest.store.file.sums import SOUND

ARRIVAL: Final = 1
AMENDS: Final = 2
"""Marks, added up: the instant is that of arrival; another value was there for this instant."""


COLUMNS: Final = f"number, CAST(body AS BLOB), {SOUND['batch']}"
"""What `readable` wants of the table batch. The body as bytes: a turned bit may have made it no text any more."""


class Staged(NamedTuple):
    """Staged readings as columns of one length.

    number: int64, of the batch.  series: int64, ids.  at_ms: int64.  value: float64.  marks: int64.
    """

    number: Int64s
    series: Int64s
    at_ms: Int64s
    value: Floats
    marks: Int64s


_NONE: Final = np.empty(0, np.int64)
NOTHING: Final = Staged(_NONE, _NONE, _NONE, np.empty(0, np.float64), _NONE)


def write(connection: sqlite3.Connection, batch: Staged, heard_ms: int) -> None:
    """Write one batch, at least one reading; its number is that of all its readings."""
    flat: list[float] = [0] * (4 * len(batch.at_ms))
    flat[0::4], flat[1::4] = batch.series.tolist(), batch.at_ms.tolist()
    flat[2::4], flat[3::4] = batch.value.tolist(), batch.marks.tolist()
    # Python writes a list of whole and finite numbers as JSON does, in half the time that `json` takes.
    body = str(flat).replace(" ", "")
    connection.execute(
        "INSERT INTO batch (number, heard_ms, body) VALUES (?, ?, ?)", (int(batch.number[0]), heard_ms, body)
    )


def read(connection: sqlite3.Connection, after: int, through: int) -> Staged:
    """Give the batches with after < number <= through, in order."""
    rows = connection.execute(
        f"SELECT {COLUMNS} FROM batch WHERE number > ? AND number <= ? ORDER BY number",
        (after, through),
    )
    return joined([readable(*row) for row in rows])


def readable(number: int, body: bytes, is_sound: int) -> Staged:
    """Give one batch's readings, none where it is damaged: that keeps nobody from all the others."""
    try:
        return decoded(number, body) if is_sound else NOTHING
    except (ValueError, TypeError):
        return NOTHING


def set_aside_damaged(connection: sqlite3.Connection, after: int) -> list[int]:
    """Keep batches after a number that cannot be read in the table `damaged`, and give their numbers.

    connection: in a transaction.
    """
    known = {row[0] for row in connection.execute("SELECT id FROM series")}
    rows = connection.execute(f"SELECT {COLUMNS} FROM batch WHERE number > ? ORDER BY number", (after,))
    bad = [(number, body) for number, body, is_sound in rows if not (is_sound and _is_sound(number, body, known))]
    for number, body in bad:
        connection.execute(
            "INSERT INTO damaged (sensor, from_ms, to_ms, what, body) VALUES ('', 0, 0, ?, ?)",
            (f"batch {number}", bytes(body)),
        )
        # Emptied and not deleted: its number must not be given to another one.
        connection.execute("UPDATE batch SET body = '[]', bulk = NULL WHERE number = ?", (number,))
    return [number for number, _ in bad]


def _is_sound(number: int, body: bytes, known: set[int]) -> bool:
    try:
        return set(decoded(number, body).series.tolist()) <= known
    except (ValueError, TypeError):
        return False


def decoded(number: int, body: bytes) -> Staged:
    """Give one batch's readings. Raises ValueError or TypeError where it is damaged."""
    flat = json.loads(body)
    # Instants lie within 2**53, so a float64 holds them and the ids and marks as they are.
    table = np.array(flat, dtype=np.float64).reshape(-1, 4)
    series, at_ms, marks = (table[:, column].astype(np.int64) for column in (0, 1, 3))
    return Staged(np.full(len(table), number), series, at_ms, table[:, 2].copy(), marks)


def joined(parts: Iterable[Staged]) -> Staged:
    """Give one set of columns, in order of the parts."""
    filled = [part for part in parts if len(part.at_ms)]
    if len(filled) == 1:
        return filled[0]
    if not filled:
        return NOTHING
    return Staged(
        np.concatenate([part.number for part in filled]),
        np.concatenate([part.series for part in filled]),
        np.concatenate([part.at_ms for part in filled]),
        np.concatenate([part.value for part in filled]),
        np.concatenate([part.marks for part in filled]),
    )


def chosen(staged: Staged, which: NDArray[np.bool_] | NDArray[np.integer[Any]] | slice) -> Staged:
    """Give some of the readings, by a mask, slice or index."""
    return Staged(
        staged.number[which], staged.series[which], staged.at_ms[which], staged.value[which], staged.marks[which]
    )
