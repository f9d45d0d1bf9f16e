"""Copies of a store's file: made while it is in use, and gone back to; and giving room back."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path
from typing import NamedTuple

from ingest.errors import StorageError
from ingest.store.file import opening, replacing
from ingest.store.file.integrity import check_integrity
from ingest.store.file.replacing import to_disk
from ingest.store.file.trouble import folder_error, plainly


def backup(source: Path, target: Path, *, pages_at_once: int = 512) -> None:
    """Copy a store to a new file by SQLite's online backup; the copy appears whole or not at all.

    Raises StorageError.
    """
    if target.exists():
        raise StorageError("there is a file already", where=str(target), mend="Name a new file for the backup")
    if not target.parent.is_dir():
        raise folder_error(FileNotFoundError(), target.parent)
    unfinished = target.with_name(target.name + ".unfinished")
    try:
        unfinished.unlink(missing_ok=True)
        replacing.new_for_owner_only(unfinished)
        with plainly(unfinished), contextlib.closing(opening.open_reader(source)) as reading:
            # A read transaction of its own holds the state still: the writer goes on in its log, and the copy never
            # has to begin again.
            reading.execute("BEGIN")
            reading.execute("SELECT count(*) FROM sqlite_schema").fetchone()
            with contextlib.closing(sqlite3.connect(unfinished)) as writing:
                reading.backup(writing, pages=pages_at_once)
                writing.execute("PRAGMA journal_mode = DELETE")
            reading.execute("ROLLBACK")
            with contextlib.closing(sqlite3.connect(unfinished, isolation_level=None)) as copied:
                copied.executescript("PRAGMA incremental_vacuum")  # pages that hold nothing need no room in a copy
        to_disk(unfinished)
        unfinished.rename(target)
        to_disk(target.parent)
    except OSError as error:
        raise folder_error(error, target.parent) from error
    finally:
        with contextlib.suppress(OSError):
            unfinished.unlink(missing_ok=True)


def give_back_room(connection: sqlite3.Connection, pages: int) -> bool:
    """Shorten the file by some free pages (files made by the first edition must be vacuumed once before)."""
    # As a script: SQLite frees a page a step, and Python's `execute` takes one step of what gives no rows.
    connection.executescript(f"PRAGMA incremental_vacuum({pages:d})")
    free = int(connection.execute("PRAGMA freelist_count").fetchone()[0])
    return free > 0 and int(connection.execute("PRAGMA auto_vacuum").fetchone()[0]) == 2


def spare_share(connection: sqlite3.Connection) -> float:
    """Give what share of the file's pages hold nothing (0 to 1)."""
    free, pages = (int(connection.execute(f"PRAGMA {name}").fetchone()[0]) for name in ("freelist_count", "page_count"))
    return free / max(1, pages)


class Restored(NamedTuple):
    """What was done.  kept: where the store that was there is now; None where there was none."""

    kept: Path | None


def restore(copy: Path, target: Path, *, stamp: str) -> Restored:
    """Put a sound copy of a store in the place of the store's file, which is kept beside it under a name with `stamp`.

    The copy itself stays where it is. Until the last moment the old file stands; a power cut leaves the one or the
    other.  Raises StorageError: the copy is no store or damaged, another process is writing, no room, or no folder.
    """
    opening.check_there(copy)
    if target.exists() and copy.resolve() == target.resolve():
        raise StorageError("this is the store itself, not a copy of it", where=str(copy), mend="Name the backup")
    log = copy.with_name(copy.name + "-wal")
    if log.exists() and log.stat().st_size:
        raise StorageError(
            "a log lies beside it, without which it is not whole",
            where=str(copy),
            mend="Make one file of both first: lumberroom backup",
        )
    faults = check_integrity(copy)
    if faults:
        raise StorageError(f"the copy is not sound: {faults[0]}", where=str(copy), mend="Name an older backup")
    mark = opening.WriterMark(target)
    try:
        return Restored(_put_in_place(copy, target, stamp))
    except OSError as error:
        raise folder_error(error, target.parent) from error
    finally:
        mark.release()


def _put_in_place(copy: Path, target: Path, stamp: str) -> Path | None:
    unfinished = target.with_name(target.name + ".unfinished")
    kept = target.with_name(f"{target.name}.before-{stamp}")
    try:
        replacing.copy_for_owner_only(copy, unfinished)
        opening.give_to_owner_of(target if target.exists() else target.parent, unfinished)
        return kept if replacing.replace(target, unfinished, kept) else None
    finally:
        with contextlib.suppress(OSError):
            unfinished.unlink(missing_ok=True)
