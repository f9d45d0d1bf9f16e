"""What is found damaged when a store is opened for writing: set aside, counted again or passed over, and always told.

No single damaged row keeps the daemon from starting. A row of which the sum is wrong goes into the table `damaged` with
its bytes; a batch stays as an empty one, since its number must not be given again; where the file stands is worked out
anew from the rest; a series' counts are counted again, and its name is taken from the index, which holds it once more.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from ingest.errors import DiskFullError, StorageError
from ingest.store.file import newest, opening, salvage, shape, sums
from ingest.store.file.newest import Newest
from ingest.store.file.trouble import plainly
from ingest.store.file.write_ahead_log import Loss
from ingest.store.record import incidents, records
from ingest.store.series import examining, staging

_KEEP: Final = "INSERT INTO damaged (sensor, from_ms, to_ms, what, body) VALUES ('', 0, 0, ?, x'')"


def opened(path: Path, lost: Loss | None, noted: Newest | None) -> tuple[sqlite3.Connection, tuple[str, ...]]:
    """Open a store's file for writing, with what is damaged in it out of the way; give a sentence for each such thing.

    The schema's text is mended. A file whose structure is so broken that it cannot be opened is rebuilt from what can
    be read of it, as `lumberroom doctor --mend` does; the broken one is kept.  lost, noted: as for `set_aside`.
    Hold the store's mark.  Raises StorageError.
    """
    try:
        with plainly(path):
            told = shape.mended_text(path)
        writer, found = _opened(path, lost, noted)
        return writer, (*told, *found)
    except StorageError as error:
        if not salvage.is_about_structure(error) or salvage.broken(path).exists():
            raise
        try:
            rebuilt = [one.what for one in salvage.rebuilt(path)]
        except DiskFullError:
            raise
        except StorageError:  # nothing of it can be read: then the first error says more
            raise error from None
    writer, found = _opened(path, lost, noted)
    with plainly(path):
        writer.executemany(_KEEP, [(what,) for what in rebuilt])
    return writer, (*rebuilt, *found)


def _opened(path: Path, lost: Loss | None, noted: Newest | None) -> tuple[sqlite3.Connection, list[str]]:
    writer = opening.open_writer(path)
    try:
        with plainly(path):
            earlier = unacknowledged(writer)
            return writer, [*set_aside(writer, lost, noted), *earlier]
    except BaseException:
        writer.close()
        raise


def set_aside(writer: sqlite3.Connection, lost: Loss | None, noted: Newest | None) -> list[str]:
    """Set aside what is damaged and would be in the way; give a sentence for each. Raises sqlite3.Error.

    lost: what of the log SQLite did not read.  noted: up to where the store had acknowledged.  What is missing by one
    of them is kept in `damaged`, for with the next commit nothing else tells of it.
    """
    writer.execute("BEGIN IMMEDIATE")
    told = []
    try:
        if shape.has_tables(writer):
            told = [
                *keep_missing(writer, lost, noted),
                *_state(writer),
                *_heads(writer),
                *_batches(writer),
                *_incidents(writer),
                *sums.set_aside(writer),
                *_site(writer),
            ]
    finally:
        writer.execute("COMMIT" if told else "ROLLBACK")
    return told


def unacknowledged(connection: sqlite3.Connection) -> list[str]:
    """Give what was found damaged or missing earlier and nobody has acknowledged, a few words each; at most 100."""
    asked = "SELECT DISTINCT what FROM damaged WHERE is_acknowledged = 0 ORDER BY what LIMIT 100"
    try:
        return [f"{what}; found earlier, and kept in the table damaged" for (what,) in connection.execute(asked)]
    except sqlite3.DatabaseError:  # it is damaged itself, or not there: told by who looks for that
        return []


def keep_missing(writer: sqlite3.Connection, lost: Loss | None, noted: Newest | None) -> Iterator[str]:
    """Keep in `damaged` what is missing by the log or by the note beside it; give a sentence for each.

    writer: in a transaction, in a file with all tables.
    """
    told = [str(lost)] if lost is not None and lost.commits > 1 else []
    told += newest.missing(noted, newest.newest_of(writer), knows_generation=shape.has_state(writer))
    for sentence in told:
        writer.execute(_KEEP, (sentence,))
        yield sentence


def _state(writer: sqlite3.Connection) -> Iterator[str]:
    if shape.has_state(writer):
        return
    writer.execute("DELETE FROM state")
    shape.write_state(writer)
    yield "table state: its row was damaged or missing, and is worked out anew"


def _heads(writer: sqlite3.Connection) -> Iterator[str]:
    wrong = f"SELECT id FROM series WHERE NOT (head_sum IS {sums.SUMS['series']['head_sum']})"
    for (series_id,) in writer.execute(wrong).fetchall():
        examining.count_again(writer, series_id)
        yield f"series {series_id}: what is noted of its extent was damaged, and is counted again"
    wrong = f"SELECT id FROM series WHERE NOT (name_sum IS {sums.SUMS['series']['name_sum']})"
    for (series_id,) in writer.execute(wrong):
        yield f"series {series_id}: its name is damaged; lumberroom doctor says more"


def _batches(writer: sqlite3.Connection) -> Iterator[str]:
    (sealed,) = writer.execute("SELECT sealed_batch FROM state").fetchone()
    for number in staging.set_aside_damaged(writer, sealed):
        yield f"batch {number}: its readings cannot be trusted; it is set aside"


def _incidents(writer: sqlite3.Connection) -> Iterator[str]:
    """Write rows by which incidents are found anew, out of the record, where they are not as they were written."""
    bad = writer.execute(f"DELETE FROM incident WHERE NOT ({sums.SOUND['incident']}) RETURNING 1").fetchall()
    if bad:
        incidents.write_missing(writer)
        yield f"table incident: {len(bad)} rows were not as they were written, and are made anew from the record"


def _site(writer: sqlite3.Connection) -> Iterator[str]:
    bad = records.damaged_newest(writer, "site", "")
    if bad:
        yield f"record: entry {bad}, the newest of the site, is damaged; the one before it is used"
