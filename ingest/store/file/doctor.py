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
from ingest.physics.derived import DERIVED
from ingest.store.file import (
    check_by_pieces,
    newest,
    opening,
    replacing,
    salvage,
    setting_aside,
    shape,
    write_ahead_log,
)
from ingest.store.file.integrity import NOTES, check_integrity
from ingest.store.file.newest import Newest
from ingest.store.file.opening import beside_the_writer
from ingest.store.file.shape import Done
from ingest.store.file.trouble import plainly
from ingest.store.file.write_ahead_log import Loss
from ingest.store.series import chunk_format, chunks, examining, rows, sealing, staging, stale, thinned
from ingest.store.series.chunk_format import Chunk
from ingest.store.series.squeeze import Damaged
from ingest.store.sqlite_store import SqliteStore


@dataclass(frozen=True, slots=True)
class Findings:
    """What was wrong, what was done about it, and what is wrong still; a sentence each.

    notes: what is no damage and worth knowing: readings that a rule of retention let go, or kept out, and what was
    found earlier.  has_lost: whether something that was stored cannot be had from this file any more: it was set aside,
    or is lost.
    """

    faults: tuple[str, ...]
    mended: tuple[str, ...]
    left: tuple[str, ...]
    notes: tuple[str, ...] = ()
    has_lost: bool = False


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
            yield from check_by_pieces.notes(connection)
            aside = "SELECT what, count(*), min(is_acknowledged) FROM damaged GROUP BY what ORDER BY min(id)"
            for what, times, is_acknowledged in connection.execute(aside):
                often = f" ({times} times)" if times > 1 else ""
                known = "acknowledged" if is_acknowledged else "found damaged"
                yield f"{known} earlier, and kept in the table damaged: {what}{often}"
    except (sqlite3.DatabaseError, StorageError):
        return


def mend(path: Path) -> Findings:
    """Say what is wrong with a store's file and mend what can be mended.

    Raises StorageError: no store there, another process is writing it, or nothing can be read of it.
    """
    _carry_through(path)
    opening.check_there(path)
    faults = tuple(check_integrity(path))
    if not faults:
        with beside_the_writer(path) as connection:
            connection.execute("DELETE FROM examination")  # what the nightly check found is not so any more
        return Findings((), (), (), tuple(_notes(path)))
    mark = opening.WriterMark(path)
    try:
        missing = write_ahead_log.loss(path), newest.noted(path)
        mended = [*_mended_structure(path), *_mended_contents(path, *missing)]
        newest.forget(path)  # it is told; and where the file stands may be worked out anew
    finally:
        mark.release()
    with SqliteStore.open(path) as store:
        store.settle()
    done, left = tuple(one.what for one in mended), tuple(check_integrity(path))
    return Findings(faults, done, left, has_lost=any(one.loses for one in mended))


def acknowledge(path: Path) -> int:
    """Note that somebody knows of all that was found damaged or missing so far; give how many such things there were.

    It is kept, and no longer told at every start. A daemon may be writing meanwhile.  Raises StorageError.
    """
    with beside_the_writer(path) as connection:
        return connection.execute("UPDATE damaged SET is_acknowledged = 1 WHERE is_acknowledged = 0").rowcount


def _carry_through(path: Path) -> None:
    if replacing.is_cut_short(path):
        mark = opening.WriterMark(path)
        try:
            replacing.finish(path)
        finally:
            mark.release()


def _mended_structure(path: Path) -> Iterator[Done]:
    """Carry what can be read into a new file where SQLite finds this one broken."""
    try:
        with contextlib.closing(opening.open_reader(path)) as connection, plainly(path):
            broken = connection.execute("PRAGMA integrity_check(1)").fetchone()[0] != "ok"
    except StorageError as error:
        # A file that is older, held by somebody, or not to be opened by this user is not broken.
        if not salvage.is_about_structure(error):
            raise
        broken = True
    if broken:
        yield from salvage.rebuilt(path)


def _mended_contents(path: Path, lost: Loss | None, noted: Newest | None) -> list[Done]:
    with plainly(path), contextlib.closing(opening.open_writer(path)) as connection:
        connection.execute("BEGIN IMMEDIATE")
        done = [
            *_noted_as_missing(connection, lost, noted),
            *shape.made_anew(connection),
            *_mended_batches(connection),
            *_mended_chunks(connection),
            *_kept_statistics(connection),
            *_mended_sums(connection),
            *_mended_rollups(connection),
            *_mended_notes(connection),
        ]
        connection.execute("DELETE FROM examination")  # what the nightly check had found is mended, or found again
        sealing.next_generation(connection)
        connection.execute("COMMIT")
        return done


def _noted_as_missing(connection: sqlite3.Connection, lost: Loss | None, noted: Newest | None) -> Iterator[Done]:
    if shape.has_tables(connection):
        for sentence in setting_aside.keep_missing(connection, lost, noted):
            yield Done(f"{sentence}; kept in the table damaged", loses=True)


def _mended_batches(connection: sqlite3.Connection) -> Iterator[Done]:
    for number in staging.set_aside_damaged(connection, 0):
        yield Done(f"batch {number}: set aside", loses=True)


def _mended_notes(connection: sqlite3.Connection) -> Iterator[Done]:
    """Set aside what other parts had kept and cannot read: they begin anew without it."""
    for table, key, column, name in NOTES:
        bad = f"SELECT {key}, {column} FROM {table} WHERE NOT json_valid({column})"
        for which, body in connection.execute(bad).fetchall():
            connection.execute(
                "INSERT INTO damaged (sensor, from_ms, to_ms, what, body) VALUES ('', 0, 0, ?, ?)",
                (f"{table} {which}", str(body).encode("utf-8", "replace")),
            )
            connection.execute(f"DELETE FROM {table} WHERE {key} = ?", (which,))
            yield Done(f"{name.format(which)}: set aside, it begins anew", loses=True)


def _mended_chunks(connection: sqlite3.Connection) -> Iterator[Done]:
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
        yield Done(f"readings of {bad.sensor}, {stretch}: the damaged chunk is set aside, {kept}", loses=True)


def _in_order(part: chunk_format.Part, bad: examining.BadChunk) -> bool:
    try:
        at_ms = chunk_format.unseal(part).at_ms
    except Damaged:
        return False
    return bool(at_ms[0] >= bad.from_ms and at_ms[-1] < bad.to_ms and np.all(np.diff(at_ms) > 0))


def _mended_sums(connection: sqlite3.Connection) -> Iterator[Done]:
    for series_id, sentence in list(examining.bad_sums(connection)):
        missing = examining.count_again(connection, series_id)
        lost = f"; {missing} readings are lost" if missing > 0 else ""
        yield Done(f"{sentence.split(':')[0]}: counted again{lost}", loses=missing > 0)


def _mended_rollups(connection: sqlite3.Connection) -> Iterator[Done]:
    stretches: dict[str, list[tuple[int, int]]] = {}
    for bad in list(examining.bad_rollups(connection)):
        stale.mark(connection, bad.sensor, bad.from_ms, bad.to_ms)
        stretches.setdefault(bad.sensor, []).append((bad.from_ms, bad.to_ms))
    for sensor, found in stretches.items():
        for from_ms, to_ms in _united(found):
            said = f"rollups of {sensor}, {rows.utc(from_ms)} to {rows.utc(to_ms)}: computed again"
            yield Done(said, loses=False)


def _united(stretches: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Give stretches that overlap or adjoin as one, in order."""
    united: list[tuple[int, int]] = []
    for from_ms, to_ms in sorted(stretches):
        if united and from_ms <= united[-1][1]:
            united[-1] = (united[-1][0], max(united[-1][1], to_ms))
        else:
            united.append((from_ms, to_ms))
    return united


def _kept_statistics(connection: sqlite3.Connection) -> Iterator[Done]:
    """Note stretches whose readings are gone without a trace but in sound rollups: those keep their statistics."""
    short = {series_id for series_id, _ in examining.bad_sums(connection)}
    names = {sensor for i, sensor in connection.execute("SELECT id, sensor FROM series") if i in short}
    lost: dict[tuple[str, str], list[tuple[int, int]]] = {}
    for bad in list(examining.bad_rollups(connection)):
        if bad.lost and bad.sensor in names and bad.quantity not in DERIVED:
            lost.setdefault((bad.sensor, bad.quantity), []).append(bad.lost)
    for (sensor, quantity), stretches in lost.items():
        for from_ms, to_ms in _united(stretches):
            connection.execute(
                "INSERT INTO damaged (sensor, from_ms, to_ms, what, body) VALUES (?, ?, ?, ?, x'')",
                (sensor, from_ms, to_ms, f"readings of {quantity} are lost"),
            )
            stretch = f"{rows.utc(from_ms)} to {rows.utc(to_ms)}"
            yield Done(f"{quantity} of {sensor}, {stretch}: readings are lost; their statistics are kept", loses=True)
