"""The embedded store: one SQLite file, one unit of work at a time, any number of readers.

Durable on return: write-ahead log with `synchronous=FULL`, so a commit is on the disk before `transaction()` is left.
Any other process may read the file meanwhile, by this class with `read_only=True` or by an ordinary SQLite tool.
"""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import sqlite3
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Final

import numpy as np

from ingest.errors import StorageError
from ingest.store.file import (
    check_by_pieces,
    copying,
    keeper,
    newest,
    opening,
    replacing,
    setting_aside,
    sums,
    write_ahead_log,
)
from ingest.store.file.check_by_pieces import Pass
from ingest.store.file.checkpoints import LATE, Checkpoints
from ingest.store.file.keeper import GivingWay
from ingest.store.file.trouble import plainly
from ingest.store.reader import SqliteReader
from ingest.store.record import outbox
from ingest.store.series import retention, settling
from ingest.store.series.settling import Settling
from ingest.store.series.view import Memory, Unpacked
from ingest.store.unit_of_work import SqliteUnitOfWork

_PATIENCE_ON_CLOSING_MS: Final = 500  # a daemon that is asked to stop must not wait for somebody's long export
_UNPACKED_FOR_CHECK: Final = 8 * 1024 * 1024
MOST_IDLE: Final = 8
"""So many connections for reading are kept open for the next one; each holds up to two megabytes of pages."""


class SqliteStore:
    """A store in one file; satisfies `api.Store`. Make it with `open`."""

    def __init__(self, path: Path, pressure_kpa: float | None, *, read_only: bool) -> None:
        if path.is_dir():
            raise StorageError(
                "this is a folder, not a store's file", where=str(path), mend=f"Name the {opening.FILE_NAME} in it"
            )
        self._path = path
        self._pressure_kpa = pressure_kpa
        self._writing = threading.Lock()
        self._writing_thread: int | None = None
        self._pooling = threading.Lock()
        self._idle: list[sqlite3.Connection] = []  # connections for reading that nobody uses just now
        self._closed = False
        self._uses = 0  # how often somebody stored or read, what the keeper does left out
        self._keeper: keeper.Keeper | None = None
        self._mark: opening.WriterMark | None = None
        self._writer: sqlite3.Connection | None = None
        self._checkpoints: Checkpoints | None = None
        self._folder: sqlite3.Connection | None = None  # the keeper's own, for folding the log back
        self._found_on_opening: tuple[str, ...] = ()
        self._memory = Memory()
        self._checked: Pass | None = None
        self._check_kept_s = time.monotonic()
        self._note: newest.Note | None = None
        self._noting = threading.Lock()
        self._to_note = False  # whether anything was acknowledged since the note was written
        self._noted_s = 0.0
        self._generation = 0  # as it was acknowledged; the keeper's own commits wait for no disk
        if read_only:
            lost = None if opening.is_being_written(path) else write_ahead_log.loss(path)
            noted = newest.noted(path)  # before the file is looked at: who writes it may go on
            self._idle.append(self._opened_reader())
            with plainly(path):
                lacks = newest.missing(noted, newest.newest_of(self._idle[0]))
                wrong = sums.unsound(self._idle[0], ("batch", "series"))
                gone = setting_aside.unacknowledged(self._idle[0])
                self._found_on_opening = (*([str(lost)] if lost else []), *lacks, *map(str, wrong), *gone)
        else:
            self._open_for_writing()
        rewritings = None if read_only else self._memory.rewritings
        self._reader = SqliteReader(self._snapshot, self._memory.view, pressure_kpa, rewritings)
        self._settling = Settling()
        self._settling_alone = threading.Lock()
        self._giving_way = GivingWay()
        # Freed at once and never touched: the C library learns by it to keep blocks of this size at hand, instead of
        # faulting the pages of every temporary column in again (a third of an import's time, measured 2026-11).
        np.empty(1 << 20)
        self._wanted = retention.Wanted()

    @classmethod
    def open(cls, path: Path, *, pressure_kpa: float | None = None, read_only: bool = False) -> SqliteStore:
        """Open the store's file, making it if it is not there (its folder must be).

        path: the file; `opening.FILE_NAME` in a data folder.  pressure_kpa: air pressure for derived series where none
        is measured; None takes that of the stored site's elevation.  read_only: look, and leave the file as it is.
        Raises StorageError: no folder, not writable, another program's file, damaged, a newer schema, another writer.
        """
        return cls(Path(path), pressure_kpa, read_only=read_only)

    @property
    def path(self) -> Path:
        """The store's file."""
        return self._path

    @property
    def read(self) -> SqliteReader:
        """The reader, safe to use from any thread, each call seeing a consistent state."""
        return self._reader

    @contextlib.contextmanager
    def transaction(self) -> Iterator[SqliteUnitOfWork]:
        """Open the one unit of work (waits for another to end); leaving it commits, an exception rolls all of it back.

        Raises StorageError when the file cannot be written; nothing of the unit is stored then. Blocks: call it from a
        thread, not from the event loop. Not to be opened inside itself: RuntimeError.
        """
        with self._giving_way.coming_first(), self._transaction() as work:
            yield work

    @contextlib.contextmanager
    def _transaction(self, *, waits_for_disk: bool = True) -> Iterator[SqliteUnitOfWork]:
        self._check_no_unit_here()
        self._count_use()
        with self._writing:
            writer = self._writer
            if writer is None:
                raise self._not_for_writing()
            self._writing_thread = threading.get_ident()
            try:
                with plainly(self._path), _synchronous(writer, waits_for_disk), self._committed(writer) as work:
                    yield work
                work.publish()
                if waits_for_disk:
                    self._to_note, self._generation = True, max(self._generation, self._memory.generation())
                self._fold(writer, at=2.0 if self._keeper is None else LATE)
            finally:
                self._writing_thread = None

    @contextlib.contextmanager
    def _committed(self, writer: sqlite3.Connection) -> Iterator[SqliteUnitOfWork]:
        writer.execute("BEGIN IMMEDIATE")
        work = SqliteUnitOfWork(writer, self._memory, self._pressure_kpa)
        try:
            yield work
            work.end()
            writer.execute("COMMIT")
        except BaseException:
            work.end()
            # SQLite rolls back by itself after some errors (a full disk among them).
            if writer.in_transaction:
                writer.execute("ROLLBACK")
            raise

    def settle_step(self, *, patience: float = 0.0) -> bool:
        """Do one bounded step of what follows in the background; say whether more waits.

        Seals staged readings into chunks once there are enough of them, or once for all that there are where `patience`
        is 0 (else the share, 0 to 1, of the usual amount to wait for); makes rollups follow; deletes what is sealed.
        The work is done beside whoever stores; only writing its result is a unit of work, and a short one. It does not
        wait for the disk: in the one log it comes after all that was acknowledged before, and a power cut that takes it
        leaves what is staged as it was.
        Blocks: call it from a thread.  Raises StorageError.
        """
        with self._settling_alone:
            self._giving_way.begin_step(is_behind=self._memory.staged() > settling.TOO_MANY)
            self._giving_way.give_way()
            with self._snapshot() as connection:
                # What it unpacks is about to be replaced: in the common memory it would only be in the way.
                view = dataclasses.replace(
                    self._memory.view(connection), unpacked=Unpacked(), give_way=self._giving_way.give_way
                )
                pressure_kpa = self._reader.pressure_of(connection)
                planned = self._settling.plan(view, functools.cache(pressure_kpa), patience=patience)
            try:
                self._giving_way.give_way()
                with self._transaction(waits_for_disk=False) as work:
                    return self._settling.write(work.view, planned)
            except BaseException:
                self._settling.begin_anew()
                raise

    def settle(self) -> None:
        """Do all of it: afterwards everything is sealed and every rollup is right."""
        while self.settle_step():
            pass

    @property
    def damage(self) -> list[str]:
        """What was found damaged while reading since the store was opened, a sentence each; reading goes on without."""
        return [*self._found_on_opening, *self._memory.damage]

    def backup(self, target: Path, *, pages_at_once: int = 512) -> None:
        """Write a copy of this state of the store to a new file, in small steps, while everything goes on.

        Raises StorageError: the file is there already, or cannot be written.
        """
        copying.backup(self._path, Path(target), pages_at_once=pages_at_once)

    def thin(self, rule: retention.Rule, *, now_ms: int, not_from_ms: int | None = None) -> int:
        """Let some readings go that are older than a rule keeps; give how many chunks went, 0 when it is done.

        Their rollups stay.  not_from_ms: whatever the rule, nothing from this instant on; and nothing goes that who
        reads along (`follow_changes`) has not taken over.  Raises StorageError.
        """
        with self._snapshot() as connection:  # going through a long backlog must not hold up who stores
            self._wanted = retention.wanted(connection, self._wanted)
        with self.transaction() as work:
            wanted = retention.wanted(work.view.connection, self._wanted)
            before_ms = retention.limit_ms(rule, now_ms, wanted.from_ms, not_from_ms)
            gone = retention.thin(work.view, before_ms)
        if not gone:
            self._wanted = retention.Wanted()
        return gone

    def let_go_facts(self, *, now_ms: int) -> bool:
        """Let the facts of some digests go that are older than a quarter; say whether there may be more."""
        with self.transaction() as work:
            return outbox.let_go_facts(work.view.connection, now_ms) > 0

    def give_back_room(self, *, pages: int = 500) -> bool:
        """Shorten the file by some of the pages that hold nothing any longer; say whether there are more."""
        self._check_no_unit_here()
        with self._writing, plainly(self._path):
            if self._writer is None:
                raise self._not_for_writing()
            return copying.give_back_room(self._writer, pages)

    def spare_share(self) -> float:
        """Give what share of the file holds nothing (0 to 1): what was sealed leaves room, used again by what comes."""
        with self._snapshot() as connection:
            return copying.spare_share(connection)

    def keep_settled(self) -> keeper.Keeper:
        """Begin to do what follows in the background, in a thread that is stopped with the store or by `stop`."""
        if self._keeper is None:
            with self._writing, plainly(self._path):
                if self._writer is None:
                    raise self._not_for_writing()
                # Small steps need few pages at hand, and a daemon keeps what it has taken.
                self._writer.execute(f"PRAGMA cache_size = -{opening.CACHE_KIB_WITH_KEEPER}")
            self._folder = opening.open_beside(self._path)
            self._keeper = keeper.Keeper(self._keep, lambda: self._uses, self._behind)
        return self._keeper

    def _behind(self) -> float:
        return self._memory.staged() / settling.SEAL_AT

    def _keep(self) -> bool:
        was_folded = self._folder is not None and self._fold(self._folder)
        if self._to_note and (was_folded or time.monotonic() - self._noted_s >= newest.EVERY_S):
            self._to_note, self._noted_s = False, time.monotonic()
            with self._snapshot() as connection:
                self._write_note(connection)
        return self.settle_step(patience=1.0)

    def _fold(self, connection: sqlite3.Connection, *, at: float = 1.0, how: str = "PASSIVE") -> bool:
        if self._checkpoints is None:
            return False
        with plainly(self._path):
            return self._checkpoints.fold(connection, at=at, how=how)

    def _write_note(self, connection: sqlite3.Connection) -> None:
        with self._noting:
            there = newest.newest_of(connection)
            if self._note is not None and there is not None:
                self._note.write(there._replace(generation=min(there.generation, self._generation)))

    @property
    def keeper_trouble(self) -> str:
        """What keeps the background's work from going on (a full disk, say), or nothing."""
        return "" if self._keeper is None else self._keeper.trouble

    def tidy(self) -> None:
        """Fold what can be folded of the write-ahead log into the file, and refresh what SQLite knows for planning.

        For a quiet hour: it blocks, and writers wait meanwhile (well under a second); readers neither wait nor hold it
        up.  Raises StorageError.
        """
        self._check_no_unit_here()
        with self._writing, plainly(self._path):
            if self._writer is None:
                raise self._not_for_writing()
            self._writer.execute("PRAGMA analysis_limit = 1000")
            self._writer.execute("PRAGMA optimize")
            self._fold(self._writer, at=0.0)

    @property
    def checked(self) -> Pass:
        """How far the check by pieces has come, and what it found."""
        if self._checked is None:
            with self._snapshot() as connection:
                self._checked = check_by_pieces.load(connection)
        return self._checked

    def check_piece(self, *, now_ms: int) -> Pass:
        """Do one piece of the check of the whole file, where the last one ended; give how far it has come.

        A pass is over where the answer has no place to go on.  now_ms: our clock.  The place is kept in the store now
        and then.  Blocks for about a second; for one thread at a time.  Raises StorageError.
        """
        checked = self.checked
        with self._snapshot() as connection:
            view = dataclasses.replace(self._memory.view(connection), unpacked=Unpacked(_UNPACKED_FOR_CHECK))
            view = dataclasses.replace(view, on_damage=lambda _: None)
            self._checked = checked = check_by_pieces.gone_on(view, self._path, checked, now_ms=now_ms)
        if checked.place is None or time.monotonic() - self._check_kept_s > check_by_pieces.KEPT_EVERY_S:
            self._check_kept_s = time.monotonic()
            with self.transaction() as work:
                check_by_pieces.save(work.view.connection, checked)
        return checked

    def close(self) -> None:
        """Fold the write-ahead log into the file and close it, after any unit of work has ended. May be repeated.

        A log that cannot be folded back now, because somebody is reading or the disk is full, stays beside the file
        and loses nothing. Not to be called inside a unit of work: RuntimeError.
        """
        self._check_no_unit_here()
        if self._keeper is not None:
            self._keeper.stop()
        with self._writing, self._pooling:
            self._closed = True
            while self._idle:
                self._idle.pop().close()
            if self._folder is not None:
                self._folder.close()
                self._folder = None
            if self._writer is not None:
                not_now = contextlib.suppress(sqlite3.OperationalError, StorageError)
                with not_now, contextlib.closing(self._writer) as writer:
                    if self._to_note:
                        self._write_note(writer)
                    writer.execute(f"PRAGMA busy_timeout = {_PATIENCE_ON_CLOSING_MS}")
                    self._fold(writer, at=0.0, how="TRUNCATE")
                self._writer = self._checkpoints = None
            if self._mark is not None:
                self._mark.release()
                self._mark = None

    def __enter__(self) -> SqliteStore:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def _count_use(self) -> None:
        if threading.current_thread().name != keeper.THREAD_NAME:
            self._uses += 1

    def _check_no_unit_here(self) -> None:
        if self._writing_thread == threading.get_ident():
            raise RuntimeError("a unit of work is open in this thread already")

    def _open_for_writing(self) -> None:
        self._mark = opening.WriterMark(self._path)
        try:
            replacing.finish(self._path)
            lost, noted = write_ahead_log.loss(self._path), newest.noted(self._path)
            self._writer, self._found_on_opening = setting_aside.opened(self._path, lost, noted)
            sums.tell_unsound(self._writer, self._memory.note_damage)
            self._checkpoints = Checkpoints(self._writer)
            with plainly(self._path):
                # What the keeper had committed without waiting for the disk nobody knows any more: only what is noted.
                self._generation = 0 if noted is None else noted.generation
                self._note = newest.Note(self._path, noted)
                self._write_note(self._writer)
        except BaseException:
            self._mark.release()
            raise

    @contextlib.contextmanager
    def _snapshot(self) -> Iterator[sqlite3.Connection]:
        """Lend a connection with a read transaction open on it."""
        self._count_use()
        connection = self._borrow()
        try:
            with plainly(self._path):
                connection.execute("BEGIN")
                yield connection
        finally:
            with plainly(self._path):
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
            self._give_back(connection)

    def _borrow(self) -> sqlite3.Connection:
        with self._pooling:
            if self._closed:
                raise StorageError("the store is closed", where=str(self._path))
            if self._idle:
                return self._idle.pop()
        return self._opened_reader()

    def _opened_reader(self) -> sqlite3.Connection:
        connection = opening.open_reader(self._path)
        sums.tell_unsound(connection, self._memory.note_damage)
        return connection

    def _give_back(self, connection: sqlite3.Connection) -> None:
        with self._pooling:
            if not self._closed and len(self._idle) < MOST_IDLE:
                self._idle.append(connection)
                return
        connection.close()

    def _not_for_writing(self) -> StorageError:
        if self._closed:
            return StorageError("the store is closed", where=str(self._path))
        return StorageError("the store was opened for reading only", where=str(self._path))


@contextlib.contextmanager
def _synchronous(writer: sqlite3.Connection, waits_for_disk: bool) -> Iterator[None]:
    """Commit inside this block with or without waiting until it is on the disk."""
    if waits_for_disk:
        yield
        return
    writer.execute("PRAGMA synchronous = NORMAL")
    try:
        yield
    finally:
        writer.execute("PRAGMA synchronous = FULL")
