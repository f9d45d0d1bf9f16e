"""SQLite's errors put into sentences that say what is wrong with the store's file and what a person can do."""

from __future__ import annotations

import errno
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final, NamedTuple

from ingest.errors import DiskFullError, StorageError


class _Sentence(NamedTuple):
    what: str
    mend: str


# By primary result code (https://www.sqlite.org/rescode.html): the low byte of the extended code.
_SENTENCES: Final = {
    sqlite3.SQLITE_NOTADB: _Sentence(
        "this is not a lumberroom store", "Name the right file, or move this one away to begin a new store"
    ),
    sqlite3.SQLITE_CORRUPT: _Sentence(
        "the store's file is damaged",
        "Keep a copy of it. lumberroom doctor --mend saves what can be read; else bring back the last backup",
    ),
    sqlite3.SQLITE_FULL: _Sentence(
        "the disk is full, so nothing more can be stored",
        "Make room on the disk; what was stored before is safe, and storing goes on by itself",
    ),
    sqlite3.SQLITE_READONLY: _Sentence(
        "the store cannot be written", "Make its folder and file writable for the user that runs lumberroom"
    ),
    sqlite3.SQLITE_CANTOPEN: _Sentence(
        "the store cannot be opened",
        "Check that the folder exists and that the user that runs lumberroom may write in it",
    ),
    sqlite3.SQLITE_PERM: _Sentence(
        "the store may not be opened", "Give the user that runs lumberroom access to the file and its folder"
    ),
    sqlite3.SQLITE_BUSY: _Sentence(
        "another program holds the store", "Close the program that has the file open for writing and try again"
    ),
    sqlite3.SQLITE_LOCKED: _Sentence("the store is in use", "Try again in a moment"),
    sqlite3.SQLITE_IOERR: _Sentence(
        "the disk could not be read or written", "Check the disk and its cable or card, then start lumberroom again"
    ),
}
# Violated promises are our own mistake and must be seen as one, with their traceback.
_BUGS: Final = (sqlite3.IntegrityError, sqlite3.ProgrammingError, sqlite3.InterfaceError)


def as_storage_error(error: sqlite3.Error, path: Path) -> StorageError:
    """Put an error of SQLite into a StorageError about the file at `path`."""
    code = getattr(error, "sqlite_errorcode", None)
    if isinstance(code, int) and (code & 0xFF == sqlite3.SQLITE_FULL or (code & 0xFF == _IOERR and _is_full(path))):
        return _disk_full(path)
    sentence = _SENTENCES.get(code & 0xFF) if isinstance(code, int) else None
    if sentence is None:
        return StorageError(
            f"the store failed: {error}", where=str(path), mend="lumberroom doctor says what is wrong with it"
        )
    return StorageError(sentence.what, where=str(path), mend=sentence.mend)


_IOERR: Final = sqlite3.SQLITE_IOERR
_LEAST_ROOM_BYTES: Final = 64 * 1024  # SQLite's shared memory and a log's first pages


def _disk_full(where: Path) -> DiskFullError:
    full = _SENTENCES[sqlite3.SQLITE_FULL]
    return DiskFullError(full.what, where=str(where), mend=full.mend)


def _is_full(path: Path) -> bool:
    """Say whether there is no room: SQLite calls it an I/O error where it wants room for its shared memory."""
    try:
        found = os.statvfs(path.parent)
    except OSError:
        return False
    return found.f_bavail * found.f_frsize < _LEAST_ROOM_BYTES


@contextmanager
def plainly(path: Path) -> Iterator[None]:
    """Let what SQLite raises inside pass on as a StorageError about `path`; our own mistakes pass on as they are."""
    try:
        yield
    except _BUGS:
        raise
    except sqlite3.Error as error:
        raise as_storage_error(error, path) from error
    except UnicodeDecodeError as error:  # SQLite's own words about a schema in which a bit turned
        raise as_storage_error(sqlite3.DatabaseError("malformed text"), path) from error


def folder_error(error: OSError, folder: Path) -> StorageError:
    """Put an operating system's error about the data folder into a StorageError."""
    if isinstance(error, FileNotFoundError):
        return StorageError("this folder does not exist", where=str(folder), mend="Make it, or name another one")
    if isinstance(error, NotADirectoryError):
        return StorageError("this is not a folder", where=str(folder), mend="Name a folder for the store")
    if error.errno == errno.EROFS:
        return StorageError(
            "this folder cannot be written: it lies on a medium that is mounted for reading only",
            where=str(folder),
            mend="Mount it for writing (mount -o remount,rw), or name a folder elsewhere",
        )
    if isinstance(error, PermissionError):
        return StorageError(
            "this folder cannot be written",
            where=str(folder),
            mend="Make it writable for the user that runs lumberroom, or name another one",
        )
    if error.errno == errno.ENOSPC:
        return _disk_full(folder)
    return StorageError(error.strerror or str(error), where=str(folder), mend="Check the disk and the folder")
