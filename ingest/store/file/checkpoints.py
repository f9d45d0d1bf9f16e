"""Folding the write-ahead log back into the file: every checkpoint of this process, one at a time, and only when due.

Why by ourselves, and not by SQLite's own threshold.  SQLite before 3.51.3 can lose committed pages, in silence, where a
checkpoint begins on one connection just as one ends on another and a commit starts the log anew between the two (see
`caution`). So no connection of ours folds the log by itself (`wal_autocheckpoint = 0`), and all that do so on purpose
pass through one lock.

How it is known that enough waits.  The log's size says nothing, for once folded it is written over from its beginning;
its index knows, but may not be looked into: to close any descriptor on a file drops every lock that this process holds
on it (POSIX, fcntl(2), "Advisory record locking"), those of SQLite with them. Then a second program could commit in the
midst of our transaction, and the file would be spoiled for both. So what waits is estimated: SQLite counts the rows
that the writer changed, and says after each checkpoint how many pages the log had; the ratio of the two follows the
work.
"""

from __future__ import annotations

import sqlite3
import threading
from typing import Final

from ingest.store.file.opening import PAGE_BYTES

DUE_PAGES: Final = 8 * 1024 * 1024 // PAGE_BYTES
"""So many pages wait before the log is folded back: rare enough that a page which many batches touch is written back
once for all of them, small enough (8 MiB) for a memory card."""

LATE: Final = 8.0
"""With so many times more waiting than is due, the writer folds by itself: whoever should do it cannot follow."""

_FIRST_GUESS: Final = 2.0  # pages of the log for a row changed, before SQLite has told
_LEAST, _MOST = 0.01, 100.0


class Checkpoints:
    """When the log is folded back, and that nobody else does so meanwhile. Used from any thread."""

    def __init__(self, writer: sqlite3.Connection) -> None:
        """Begin to count.  writer: the one connection that writes; only its count of changed rows is looked at."""
        self._writer = writer
        self._one_at_a_time = threading.Lock()
        self._counted = writer.total_changes  # rows changed when the log was last folded
        self._in_log = 0  # pages in the log then; they stay in it until a commit starts it anew
        self._pages_a_row = _FIRST_GUESS

    def due(self) -> float:
        """Give how many times as much waits as makes a checkpoint due (an estimate)."""
        return (self._writer.total_changes - self._counted) * self._pages_a_row / DUE_PAGES

    def fold(self, connection: sqlite3.Connection, *, at: float = 1.0, how: str = "PASSIVE") -> bool:
        """Fold the log back where at least `at` times what is due waits; say whether that was done.

        connection: one of this process on the same file, in no transaction.  how: "PASSIVE" waits for nobody,
        "TRUNCATE" for readers too, and leaves an empty log.  Somebody else at it is enough, and not waited for; with
        `at` = 0 it is.  Raises sqlite3.Error.
        """
        if not self._one_at_a_time.acquire(blocking=at == 0.0):
            return False
        try:
            if self.due() < at:  # asked only now that nobody else can be at it
                return False
            rows = self._writer.total_changes
            _, in_log, folded = connection.execute(f"PRAGMA wal_checkpoint({how})").fetchone()
            self._learn(rows - self._counted, in_log, whole=in_log == folded)
            self._counted = rows
            return True
        finally:
            self._one_at_a_time.release()

    def _learn(self, rows: int, in_log: int, *, whole: bool) -> None:
        # A log that was wholly folded begins anew at the next commit; one that a reader held back only grows.
        pages = in_log - self._in_log if in_log >= self._in_log else in_log
        if rows > 0 and pages > 0:
            told = min(_MOST, max(_LEAST, pages / rows))
            self._pages_a_row += (told - self._pages_a_row) / 2
        self._in_log = 0 if whole else in_log


def caution(version: tuple[int, ...] = sqlite3.sqlite_version_info) -> str:
    """Say what is to be known of this version of SQLite, or nothing.

    Source: SQLite's release notes for 3.51.3, "Fix the WAL-reset database corruption bug", which name 3.7.0 as the
    first version that has it, and 3.44.6 and 3.50.7 as mended too.
    """
    mended = version >= (3, 51, 3) or (3, 50, 7) <= version < (3, 51) or (3, 44, 6) <= version < (3, 45)
    if mended or version < (3, 7):
        return ""
    return (
        f"SQLite {'.'.join(map(str, version))} can lose what was committed where two programs fold its log back at "
        "once (mended in SQLite 3.51.3). lumberroom does that one at a time; let no other program write to this file."
    )
