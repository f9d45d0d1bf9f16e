"""A short transaction beside the one writer, on a table of which that one keeps nothing in memory.

The mark beside the file (`opening.WriterMark`) lets one program at a time write readings, since that one remembers what
it wrote. Keys of devices (`device_keys`) are not remembered but asked for: they may be given and revoked while the
daemon runs, and SQLite keeps the two transactions apart.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from ingest.errors import StorageError
from ingest.store.file import schema
from ingest.store.file.sums import know_sums
from ingest.store.file.trouble import plainly

BUSY_TIMEOUT_S: Final = 10.0


@contextlib.contextmanager
def beside_the_writer(path: Path) -> Iterator[sqlite3.Connection]:
    """Open the store's file for a short transaction on the keys, whether or not a daemon is writing it.

    path: the file; its schema must be ours.  Raises StorageError.
    """
    if not path.exists():
        raise StorageError("there is no store here", where=str(path), mend="Start the daemon on it once")
    with plainly(path):
        connection = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=BUSY_TIMEOUT_S, isolation_level=None
        )
        with contextlib.closing(connection):
            if schema.application_of(connection) != schema.APPLICATION_ID:
                raise StorageError("this is no lumberroom store", where=str(path), mend="Name the right file")
            if schema.version_of(connection) != schema.SCHEMA_VERSION:
                raise StorageError(
                    "this store is of another version", where=str(path), mend="Start this lumberroom on it once"
                )
            connection.execute("PRAGMA synchronous = FULL")
            know_sums(connection)
            connection.execute("PRAGMA wal_autocheckpoint = 0")  # the daemon folds the log back, and nobody beside it
            connection.execute("BEGIN IMMEDIATE")
            try:
                yield connection
                connection.execute("COMMIT")
            except BaseException:
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
                raise
