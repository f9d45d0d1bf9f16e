"""Opening the store's file: connections with the right settings, the marker that keeps a second writer out."""

from __future__ import annotations

import contextlib
import fcntl
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Final
from urllib.parse import quote

from ingest.errors import StorageError
from ingest.store.file import replacing, schema, sums
from ingest.store.file.replacing import OWNER_ONLY
from ingest.store.file.trouble import folder_error, plainly

FILE_NAME: Final = "lumberroom.sqlite3"
"""What the store's file is called in a data folder."""

BUSY_TIMEOUT_S: Final = 10.0  # how long to wait for a program that is not ours and holds the file
# A batch of one reading from each of a hundred sensors touches a page per series: with 2 KiB pages such a batch writes
# 0.6 of what it writes with SQLite's usual 4 KiB, and long stretches read no slower (measured 2026-11).
PAGE_BYTES: Final = 2048
CACHE_KIB_WITH_KEEPER: Final = 6 * 1024
LOG_LIMIT_BYTES: Final = 32 * 1024 * 1024  # what the log is cut back to after it had to grow


class WriterMark:
    """The right to write a store, held by one process at a time.

    A lock on a file beside the store. The system lets go of it when the process ends, however it ends.
    """

    def __init__(self, path: Path) -> None:
        """Take the right to write the store at `path`. Raises StorageError when another process has it."""
        self._path = path.with_name(path.name + ".lock")
        try:
            self._file = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, OWNER_ONLY)
            os.fchmod(self._file, OWNER_ONLY)
        except OSError as error:
            raise folder_error(error, path.parent) from error
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = os.pread(self._file, 20, 0).decode("ascii", "replace").strip()
            os.close(self._file)
            raise StorageError(
                f"another lumberroom {f'(process {holder}) ' if holder else ''}is writing this store",
                where=str(path),
                mend="Stop that one first, or use another data folder",
            ) from error
        give_to_owner_of(path.parent, self._file)
        # Who holds it is a courtesy to the next one's message; a full disk must not stop us here.
        with contextlib.suppress(OSError):
            os.ftruncate(self._file, 0)
            os.pwrite(self._file, str(os.getpid()).encode("ascii"), 0)

    def release(self) -> None:
        """Give the right back. The file stays: removing it would let two processes lock two different files."""
        os.close(self._file)


def give_to_owner_of(place: Path, file: Path | int) -> None:
    """Let a file that root made belong to whom its place belongs to: the daemon runs as another user, and must write.

    file: by name or descriptor.
    """
    if os.geteuid() == 0:
        owner = place.stat()
        with contextlib.suppress(OSError):  # a medium without owners
            os.chown(file, owner.st_uid, owner.st_gid)


def open_writer(path: Path) -> sqlite3.Connection:
    """Open the file for writing, making it where it is not there.

    The connection is in autocommit mode and may be used by one thread at a time.  Raises StorageError.
    """
    with plainly(path):
        _make_for_owner_only(path)
        connection = _connect(path, "rwc")
        try:
            _check_ours(connection, path)
            connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")  # of a new file; an old one keeps what it has
            connection.execute("PRAGMA auto_vacuum = INCREMENTAL")  # of a new file too
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute("PRAGMA foreign_keys = ON")
            connection.execute(f"PRAGMA journal_size_limit = {LOG_LIMIT_BYTES}")
            connection.execute("PRAGMA cache_size = -16384")  # KiB
            is_new = bool(schema.migrate(connection))
            if is_new:
                # From now on the file itself says what it is, whatever becomes of its log.
                connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            # SQLite opens a file that may not be written for reading, and says nothing before the first true write.
            connection.execute("BEGIN IMMEDIATE")
            connection.execute(f"PRAGMA user_version = {schema.SCHEMA_VERSION}")
            connection.execute("ROLLBACK")
        except BaseException:
            connection.close()
            raise
    return connection


def _make_for_owner_only(path: Path) -> None:
    """Make the file, where it is not there, so that nobody else may read it at any moment; its log takes after it."""
    with contextlib.suppress(OSError):  # what cannot be made is told by SQLite's own attempt
        replacing.new_for_owner_only(path)
    with contextlib.suppress(OSError):
        path.chmod(OWNER_ONLY)


def open_beside(path: Path) -> sqlite3.Connection:
    """Open a file for writing that is there already, and may be open for writing elsewhere. Raises StorageError.

    Such a connection never folds the log back by itself, like every one of ours: see `checkpoints`.
    """
    if not path.exists():
        raise StorageError("there is no store here", where=str(path), mend="Start the daemon on it once")
    with plainly(path):
        connection = _connect(path, "rw")
        try:
            _check_ours(connection, path)
            _check_filled(connection, path)
        except BaseException:
            connection.close()
            raise
        connection.execute("PRAGMA synchronous = FULL")
    return connection


@contextlib.contextmanager
def beside_the_writer(path: Path) -> Iterator[sqlite3.Connection]:
    """Do a short transaction on a table of which the one writer keeps nothing in memory, whether or not it runs.

    `WriterMark` lets one program at a time write readings, since that one remembers what it wrote. Keys of devices and
    what was found damaged are asked for each time, and SQLite keeps the two transactions apart.  Raises StorageError.
    """
    with contextlib.closing(open_beside(path)) as connection, plainly(path):
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield connection
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise


def open_reader(path: Path) -> sqlite3.Connection:
    """Open the file for reading only, whether or not somebody is writing it.

    The connection is in autocommit mode and may be used by one thread at a time.  Raises StorageError.
    """
    check_there(path)
    with plainly(path):
        connection = _connect_reader(path)
        try:
            _check_filled(connection, path)
        except BaseException:
            connection.close()
            raise
    return connection


def check_there(path: Path) -> None:
    """Raise StorageError where there is no file, a folder in its place, nothing in it, or half of a replacement."""
    if replacing.is_cut_short(path) and not is_being_written(path):
        raise StorageError(
            "another file was being put in the place of this one when the power went",
            where=str(path),
            mend="Start the daemon, or run lumberroom doctor --mend: either carries it through",
        )
    if not path.exists():
        raise StorageError("there is no store here", where=str(path), mend="Name a data folder that holds one")
    if path.is_file() and not os.access(path, os.R_OK):
        raise StorageError(
            "this user may not read the store",
            where=str(path),
            mend="Ask as the user that runs lumberroom (sudo -u lumberroom …), or read a copy",
        )
    if path.is_dir():
        raise StorageError("this is a folder, not a store's file", where=str(path), mend=f"Name the {FILE_NAME} in it")
    if path.stat().st_size == 0 and not _has_log(path):
        raise StorageError(
            "the file is empty: it was cut off, or nothing was ever stored",
            where=str(path),
            mend="Bring back the last backup, or take the file away to begin a new store",
        )


def _connect_reader(path: Path) -> sqlite3.Connection:
    connection = _connect(path, "ro")
    try:
        _check_ours(connection, path)
    except sqlite3.OperationalError as error:
        connection.close()
        if (
            _has_log(path)
            and error.sqlite_errorcode & 0xFF in _NO_LOG_CAN_BE_MADE
            and not os.access(path.parent, os.W_OK)
        ):
            raise StorageError(
                "the program that wrote this store did not close it, and where it lies now nothing can be written",
                where=str(path),
                mend=f"Copy {path.name} and {path.name}-wal, both, into a folder that can be written, and name that",
            ) from error
        if _has_log(path) or error.sqlite_errorcode & 0xFF not in _NO_LOG_CAN_BE_MADE or is_being_written(path):
            raise
        # No log beside it and none can be made: media that cannot be written, or are full. Then nobody else writes it
        # either, which is what `immutable` promises to SQLite.
        connection = _connect(path, "ro", immutable=True)
        try:
            _check_ours(connection, path)
        except BaseException:
            connection.close()
            raise
    except BaseException:
        connection.close()
        raise
    connection.execute("PRAGMA query_only = ON")
    return connection


_NO_LOG_CAN_BE_MADE: Final = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR)


def is_being_written(path: Path) -> bool:
    """Say whether some process has the right to write the store."""
    try:
        file = os.open(path.with_name(path.name + ".lock"), os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return True
    finally:
        os.close(file)
    return False


def _has_log(path: Path) -> bool:
    log = path.with_name(path.name + "-wal")
    return log.exists() and log.stat().st_size > 0


def _connect(path: Path, mode: str, *, immutable: bool = False) -> sqlite3.Connection:
    address = f"file:{quote(str(path.absolute()))}?mode={mode}{'&immutable=1' if immutable else ''}"
    connection = sqlite3.connect(
        address, uri=True, timeout=BUSY_TIMEOUT_S, isolation_level=None, check_same_thread=False, cached_statements=256
    )
    connection.execute("PRAGMA wal_autocheckpoint = 0")
    connection.execute("PRAGMA cell_size_check = ON")  # a page with a turned bit is refused when it is read
    sums.know_sums(connection)
    return connection


def _check_filled(connection: sqlite3.Connection, path: Path) -> None:
    if schema.version_of(connection) == 0:
        raise StorageError(
            "there is nothing in this file: what was stored was in its log, which is missing or damaged",
            where=str(path),
            mend=f"Put {path.name}-wal back beside it, or bring back the last backup",
        )


def _check_ours(connection: sqlite3.Connection, path: Path) -> None:
    tables = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
    if tables and schema.application_of(connection) != schema.APPLICATION_ID:
        raise StorageError(
            "this is another program's database, not a lumberroom store",
            where=str(path),
            mend="Name the right file, or move this one away to begin a new store",
        )
    version = schema.version_of(connection)
    if version > schema.SCHEMA_VERSION:
        raise StorageError(
            f"a newer lumberroom wrote this store (schema {version}, this one knows {schema.SCHEMA_VERSION})",
            where=str(path),
            mend="Install the newer version, or bring back the backup from before the change",
        )
