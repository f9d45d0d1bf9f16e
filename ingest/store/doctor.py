"""What is damaged in a store's file, and mending what can be mended from the rest.

Mended are: rollups (computed again), noted counts and extents (counted again), chunks (the sound quantities in them are
kept; a chunk's bytes are set aside in the table `damaged`), staged batches that cannot be read (set aside), and a file
whose structure is broken (what can still be read is carried into a new one). What a damaged chunk held is lost, unless
a backup or the sensor brings it again; the rollups keep that stretch's counts, extremes and means.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ingest.errors import StorageError
from ingest.store import opening, salvage
from ingest.store.integrity import NOTES, check_integrity
from ingest.store.series import chunk_format, chunks, examining, rows, sealing, staging, stale, thinned
from ingest.store.series.chunk_format import Chunk
from ingest.store.series.squeeze import Damaged
from ingest.store.sqlite_store import SqliteStore
from ingest.store.trouble import plainly


@dataclass(frozen=True, slots=True)
class Findings:
    """What was wrong, what was done about it, and what is wrong still; a sentence each.

    notes: what is no damage and worth knowing: readings that a rule of retention let go, or kept out.
    """

    faults: tuple[str, ...]
    mended: tuple[str, ...]
    left: tuple[str, ...]
    notes: tuple[str, ...] = ()


def examine(path: Path) -> Findings:
    """Say what is wrong with a store's file. Only reads; another process may be writing meanwhile."""
    faults = tuple(check_integrity(path))
    return Findings(faults, (), faults, tuple(_notes(path)))


def _notes(path: Path) -> Iterator[str]:
    """Say what went by a rule of retention; nothing where the file cannot say it."""
    try:
        with contextlib.closing(opening.open_reader(path)) as connection:
            gone, until_ms = connection.execute("SELECT coalesce(sum(count), 0), max(to_ms) FROM thinned").fetchone()
            if gone:
                yield f"{gone} measured values up to {rows.utc(until_ms)} went by keep_readings_days; statistics stay."
            yield from (one.in_words() for one in thinned.too_late(connection))
    except (sqlite3.DatabaseError, StorageError):
        return


def mend(path: Path) -> Findings:
    """Say what is wrong with a store's file and mend what can be mended.

    Raises StorageError: no store there, another process is writing it, or nothing can be read of it.
    """
    faults = tuple(check_integrity(path))
    if not faults:
        return Findings((), (), ())
    mark = opening.WriterMark(path)
    try:
        mended = [*_mended_structure(path), *_mended_contents(path)]
    finally:
        mark.release()
    with SqliteStore.open(path) as store:
        store.settle()
    return Findings(faults, tuple(mended), tuple(check_integrity(path)))


def _mended_structure(path: Path) -> Iterator[str]:
    """Carry what can be read into a new file where SQLite finds this one broken."""
    try:
        with contextlib.closing(opening.open_reader(path)) as connection:
            broken = connection.execute("PRAGMA integrity_check(1)").fetchone()[0] != "ok"
    except (sqlite3.DatabaseError, StorageError):
        broken = True
    if broken:
        yield from salvage.rebuilt(path)


def _mended_contents(path: Path) -> list[str]:
    with plainly(path), contextlib.closing(opening.open_writer(path)) as connection:
        connection.execute("BEGIN IMMEDIATE")
        done = [
            *_mended_batches(connection),
            *_mended_chunks(connection),
            *_mended_sums(connection),
            *_mended_rollups(connection),
            *_mended_notes(connection),
        ]
        sealing.next_generation(connection)
        connection.execute("COMMIT")
        return done


def _mended_batches(connection: sqlite3.Connection) -> Iterator[str]:
    known = {row[0] for row in connection.execute("SELECT id FROM series")}
    for number, body in connection.execute("SELECT number, body FROM batch ORDER BY number").fetchall():
        try:
            if set(staging.decoded(number, body).series.tolist()) <= known:
                continue
        except (ValueError, TypeError):
            pass
        connection.execute(
            "INSERT INTO damaged (sensor, from_ms, to_ms, what, body) VALUES ('', 0, 0, ?, ?)",
            (f"batch {number}", str(body).encode("utf-8", "replace")),
        )
        connection.execute("DELETE FROM batch WHERE number = ?", (number,))
        yield f"batch {number}: set aside"


def _mended_notes(connection: sqlite3.Connection) -> Iterator[str]:
    """Set aside what other parts had kept and cannot read: they begin anew without it."""
    for table, key, column, name in NOTES:
        bad = f"SELECT {key}, {column} FROM {table} WHERE NOT json_valid({column})"  # noqa: S608 - ours
        for which, body in connection.execute(bad).fetchall():
            connection.execute(
                "INSERT INTO damaged (sensor, from_ms, to_ms, what, body) VALUES ('', 0, 0, ?, ?)",
                (f"{table} {which}", str(body).encode("utf-8", "replace")),
            )
            connection.execute(f"DELETE FROM {table} WHERE {key} = ?", (which,))  # noqa: S608 - ours
            yield f"{name.format(which)}: set aside, it begins anew"


def _mended_chunks(connection: sqlite3.Connection) -> Iterator[str]:
    for bad in list(examining.bad_chunks(connection)):
        chunks.set_aside(connection, bad.id, bad.what)
        try:
            chunk = chunks.fetch(connection, bad.id)
            good = {i: part for i, part in chunk_format.sound(chunk)[0].items() if _in_order(part, bad)}
        except Damaged:
            good = {}
        connection.execute("DELETE FROM chunk WHERE id = ?", (bad.id,))
        if good:
            body = chunk_format.to_bytes(Chunk(bad.from_ms, bad.to_ms, good))
            connection.execute(
                "INSERT INTO chunk (sensor, from_ms, to_ms, body) VALUES (?, ?, ?, ?)",
                (bad.sensor, bad.from_ms, bad.to_ms, body),
            )
        kept = f"{len(good)} of its series are kept" if good else "nothing of it could be kept"
        stretch = f"{rows.utc(bad.from_ms)} to {rows.utc(bad.to_ms)}"
        yield f"readings of {bad.sensor}, {stretch}: the damaged chunk is set aside, {kept}"


def _in_order(part: chunk_format.Part, bad: examining.BadChunk) -> bool:
    try:
        at_ms = chunk_format.unseal(part).at_ms
    except Damaged:
        return False
    return bool(at_ms[0] >= bad.from_ms and at_ms[-1] < bad.to_ms and np.all(np.diff(at_ms) > 0))


def _mended_sums(connection: sqlite3.Connection) -> Iterator[str]:
    for series_id, sentence in list(examining.bad_sums(connection)):
        view = examining.view_of(connection)
        sealed = rows.sealed_whole(view, series_id)
        thinned = connection.execute("SELECT coalesce(sum(count), 0) FROM thinned WHERE series_id = ?", (series_id,))
        count = len(sealed.at_ms)
        extent = (int(sealed.at_ms[0]), int(sealed.at_ms[-1]), float(sealed.value[-1])) if count else (None, None, None)
        noted = (count + int(thinned.fetchone()[0]), *extent)
        connection.execute(
            "UPDATE series SET count = ?, first_ms = ?, last_ms = ?, last_value = ? WHERE id = ?", (*noted, series_id)
        )
        yield f"{sentence.split(':')[0]}: counted again"


def _mended_rollups(connection: sqlite3.Connection) -> Iterator[str]:
    for bad in list(examining.bad_rollups(connection)):
        stale.mark(connection, bad.sensor, bad.from_ms, bad.to_ms)
        stretch = f"{rows.utc(bad.from_ms)} to {rows.utc(bad.to_ms)}"
        yield f"rollups of {bad.sensor}, {stretch}: computed again"
