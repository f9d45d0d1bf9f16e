"""What can still be read of a file whose structure is broken, carried into a new one."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from ingest.errors import StorageError
from ingest.store.file import opening, replacing, schema, shape
from ingest.store.file.shape import Done
from ingest.store.file.sums import SOUND, know_sums
from ingest.store.file.trouble import folder_error

_DERIVED: Final = ("sqlite_sequence", "migration")
_MAGIC: Final = b"SQLite format 3\0"  # https://www.sqlite.org/fileformat2.html, section 1.3
_HEADER_BYTES: Final = 100


def is_about_structure(error: StorageError) -> bool:
    """Say whether an error on opening comes of a broken structure, and not of rights, locks or another edition."""
    cause = error.__cause__
    code = getattr(cause, "sqlite_errorcode", 0) & 0xFF
    return isinstance(cause, UnicodeDecodeError) or code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def broken(path: Path) -> Path:
    """Give the name under which a broken file is kept."""
    return path.with_name(path.name + ".broken")


def rebuilt(path: Path) -> Iterator[Done]:
    """Put a new file with all that can be read in the place of a broken one, which stays beside it as `.broken`.

    Gives a sentence for each table that lost rows.  Raises StorageError when nothing can be read at all.
    """
    fresh, aside = path.with_name(path.name + ".rebuilt"), broken(path)
    _take_away(fresh)
    if aside.exists():
        raise StorageError(
            "a broken file from an earlier mending is still there", where=str(aside), mend="Move it away first"
        )
    try:
        with contextlib.closing(opening.open_writer(fresh)) as new, _filled_up(path) as whole:
            lost = _carried_over(whole, new, path)
            new.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            new.execute("PRAGMA journal_mode = DELETE")  # its log goes: the file is to stand for itself
    except BaseException:
        _take_away(fresh)  # half of it would only take room
        raise
    replacing.replace(path, fresh, aside)
    yield Done(f"file: rebuilt from what could be read; the broken one is kept as {aside.name}", loses=False)
    yield from lost


def _take_away(fresh: Path) -> None:
    for end in ("", *replacing.COMPANIONS):
        fresh.with_name(fresh.name + end).unlink(missing_ok=True)


@contextlib.contextmanager
def _filled_up(path: Path) -> Iterator[Path]:
    """Give a file with SQLite's mark, as long as its header says: it reads nothing of one without, or cut short."""
    with path.open("rb") as file:
        header = file.read(_HEADER_BYTES)
    if len(header) < _HEADER_BYTES or header[68:72] != schema.APPLICATION_ID.to_bytes(4, "big"):
        raise _nothing_to_read(path)
    page_size = int.from_bytes(header[16:18], "big")
    wanted = int.from_bytes(header[28:32], "big") * (65536 if page_size == 1 else page_size)
    if path.stat().st_size >= wanted and header.startswith(_MAGIC):
        yield path
        return
    copy = path.with_name(path.name + ".reading")
    try:
        for end in ("", "-wal"):
            source = path.with_name(path.name + end)
            if source.exists():
                replacing.copy_for_owner_only(source, copy.with_name(copy.name + end))
        with copy.open("r+b") as file:
            file.write(_MAGIC)
        os.truncate(copy, max(wanted, path.stat().st_size))
        yield copy
    except OSError as error:
        raise folder_error(error, path.parent) from error
    finally:
        for end in ("", "-wal", "-shm"):
            copy.with_name(copy.name + end).unlink(missing_ok=True)


def _nothing_to_read(path: Path) -> StorageError:
    return StorageError("nothing can be read of the store's file", where=str(path), mend="Bring back the last backup")


def _carried_over(whole: Path, new: sqlite3.Connection, path: Path) -> list[Done]:
    try:
        old = sqlite3.connect(f"{whole.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None)
        # With this SQLite takes what it can read of the schema, where a part of that was torn off too. Nothing is
        # written: the file is open for reading only.
        old.execute("PRAGMA writable_schema = ON")
        know_sums(old)
        old.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except sqlite3.Error as error:
        raise _nothing_to_read(path) from error
    with contextlib.closing(old):
        tables = [row[0] for row in new.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
        new.execute("PRAGMA foreign_keys = OFF")
        new.execute("BEGIN IMMEDIATE")
        new.execute("DELETE FROM state")
        lost = [one for table in tables if table not in _DERIVED for one in _table(old, new, table)]
        if new.execute("SELECT count(*) FROM state").fetchone()[0] == 0:
            shape.write_state(new)
        new.execute("COMMIT")
    return lost


def _table(old: sqlite3.Connection, new: sqlite3.Connection, table: str) -> Iterator[Done]:
    """Carry one table over, from both ends towards the break."""
    columns = new.execute("SELECT name, pk FROM pragma_table_info(?) ORDER BY cid", (table,)).fetchall()
    names = ", ".join(name for name, _ in columns)
    keys = ", ".join(name for name, pk in sorted(columns, key=lambda column: column[1]) if pk) or "rowid"
    # A row that is not as it was written must not be given a new sum here.
    sound = SOUND.get(table, "true")
    insert = f"INSERT OR IGNORE INTO {table} ({names}) VALUES ({', '.join('?' * len(columns))})"
    broken = False
    for direction in ("ASC", "DESC"):
        order = ", ".join(f"{key} {direction}" for key in keys.split(", "))
        try:
            for row in old.execute(f"SELECT {names} FROM {table} WHERE {sound} ORDER BY {order}"):
                new.execute(insert, row)
        except sqlite3.DatabaseError:
            broken = True
        if not broken:
            return
    yield Done(f"table {table}: rows are lost", table not in shape.COMPUTED)
