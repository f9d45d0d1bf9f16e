"""The newest change that was acknowledged, noted outside the database: what tells that a log was lost or cut.

SQLite reads a store whose log is gone, or ends early, as a whole one: it is as it was some minutes or hours ago, and
nothing in it says so. So the program that writes notes beside the file up to where it has acknowledged, now and then,
and the next start compares. The note is behind what was acknowledged, never ahead of it: a commit is seen by others
only when it is on the disk.

The note is one block that is written over in place, which costs a disk less than a new file: two slots by turns, each
with a checksum, so that a power cut leaves one of them. A note that cannot be read says nothing.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Final, NamedTuple

from ingest.store.file.opening import give_to_owner_of
from ingest.store.file.replacing import NOTE, OWNER_ONLY
from ingest.store.series.rows import utc

EVERY_S: Final = 60.0
"""So long a note may be behind, unless the log is folded back before: then it is written at once."""

_SLOT_BYTES: Final = 256


class Newest(NamedTuple):
    """Up to where a store has acknowledged.

    store: which one, by the instant at which it was made.  change: the newest batch.  entry: the newest of the record.
    generation: of sealed data and imports.  at_ms: about when (our clock, UTC ms).
    """

    store: str
    change: int
    entry: int
    generation: int
    at_ms: int


def newest_of(connection: sqlite3.Connection) -> Newest | None:
    """Ask a store up to where it goes; None where it is too damaged to say, which others tell."""
    asked = """
        SELECT
            (SELECT applied_at FROM migration ORDER BY version LIMIT 1),
            max(coalesce((SELECT sealed_batch FROM state), 0), coalesce((SELECT max(number) FROM batch), 0)),
            coalesce((SELECT max(number) FROM record), 0),
            coalesce((SELECT generation FROM state), 0),
            max(
                coalesce((SELECT heard_ms FROM batch ORDER BY number DESC LIMIT 1), 0),
                coalesce((SELECT max(at_ms) FROM heard), 0),
                coalesce((SELECT at_ms FROM record ORDER BY number DESC LIMIT 1), 0))"""
    try:
        return Newest(*connection.execute(asked).fetchone())
    except (sqlite3.DatabaseError, UnicodeDecodeError):
        return None


def missing(noted: Newest | None, there: Newest | None, *, knows_generation: bool = True) -> Iterator[str]:
    """Say what a note knows of and a store lacks, a sentence for changes and one for the record.

    knows_generation: whether that of the store is its own, and not worked out anew.
    """
    if noted is None or there is None or noted.store != there.store:
        return
    when = f"of about {utc(min(there.at_ms, noted.at_ms))} to {utc(noted.at_ms)}"
    why = "the log beside the store was lost or cut; bring back a backup, or what sensors and files can send again"
    if noted.change > there.change:
        yield f"log: changes {there.change + 1} to {noted.change}, {when}, are missing: {why}"
    elif knows_generation and noted.generation > there.generation:
        yield f"log: readings that were imported, {when}, are missing: {why}"
    if noted.entry > there.entry:
        yield f"log: entries {there.entry + 1} to {noted.entry} of the record, {when}, are missing: {why}"


def noted(path: Path) -> Newest | None:
    """Give what is noted beside a store's file; None where that is nothing, or cannot be read."""
    try:
        slots = path.with_name(path.name + NOTE).read_bytes()
    except OSError:
        return None
    return max(
        (one for at in (0, _SLOT_BYTES) if (one := _of(slots[at : at + _SLOT_BYTES])) is not None),
        key=lambda one: one[1:],
        default=None,
    )


def forget(path: Path) -> None:
    """Take the note away: the file beside it is no longer the one that it was of."""
    path.with_name(path.name + NOTE).unlink(missing_ok=True)


def _of(slot: bytes) -> Newest | None:
    with contextlib.suppress(ValueError, TypeError):  # half written, or a turned bit
        check, _, body = slot.rstrip(b" \n\0").partition(b" ")
        if int(check, 16) == zlib.crc32(body):
            return Newest(*json.loads(body))
    return None


class Note:
    """The note beside a store that is open for writing. One thread at a time."""

    def __init__(self, path: Path, written: Newest | None) -> None:
        """Begin.  path: the store's file.  written: what is noted beside it."""
        self._path = path.with_name(path.name + NOTE)
        self._written = written
        self._is_first = True
        self._turn = 0

    def write(self, newest: Newest) -> None:
        """Note it where it is not noted already. What cannot be written now is left for the next time."""
        if newest == self._written:
            return
        body = json.dumps(newest).encode("ascii")
        slot = (b"%08x %b" % (zlib.crc32(body), body)).ljust(_SLOT_BYTES - 1) + b"\n"
        # A file that cannot be written costs its own news and nothing else: readings go on being stored.
        with contextlib.suppress(OSError):
            file = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, OWNER_ONLY)
            try:
                if self._is_first:  # those of an earlier run are compared with already
                    os.fchmod(file, OWNER_ONLY)
                    give_to_owner_of(self._path.parent, file)
                    os.pwrite(file, slot, _SLOT_BYTES)
                os.pwrite(file, slot, self._turn * _SLOT_BYTES)
                os.fdatasync(file)
            finally:
                os.close(file)
            self._written, self._is_first, self._turn = newest, False, 1 - self._turn
