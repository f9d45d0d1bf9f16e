"""The one unit of work: everything written in it becomes durable together, or nothing does."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, Final

from ingest.site.actor import Actor
from ingest.site.incidents import Incident, Notice, NoticeKind
from ingest.site.places import Site
from ingest.site.series import ReadingBatch
from ingest.store.api import Appended
from ingest.store.reader import SqliteReader
from ingest.store.record import device_keys, forwarding, incidents, kinds, outbox
from ingest.store.record.forwarding import SetAside
from ingest.store.record.kinds import Noun, RecordKind
from ingest.store.record.outbox import TellingBook
from ingest.store.record.plain import canonical_json
from ingest.store.series import appending, feed
from ingest.store.series.view import Memory, View

_HEARD: Final = """
    INSERT INTO heard (sensor, at_ms) SELECT value, ?1 FROM json_each(?2) WHERE true
    ON CONFLICT (sensor) DO UPDATE SET at_ms = ?1"""  # one statement for all: a third of the time


class SqliteUnitOfWork:
    """Writes on the connection on which `SqliteStore.transaction` began; satisfies `api.UnitOfWork`."""

    def __init__(self, connection: sqlite3.Connection, memory: Memory, pressure_kpa: float | None) -> None:
        self._open_connection: sqlite3.Connection | None = connection
        self._memory = memory
        self._own_view: View | None = None
        self._repeats = self._is_bulk = False
        self._reader = SqliteReader(self._inside, lambda _: self.view, pressure_kpa)

    @property
    def view(self) -> View:
        """What this unit sees of the series, with what it has written."""
        connection = self._connection
        if self._own_view is None:
            self._own_view = self._memory.view(connection)
        return self._own_view

    @property
    def read(self) -> SqliteReader:
        """Read within this transaction: what it has written so far is seen."""
        return self._reader

    def append(self, batch: ReadingBatch, *, heard_ms: int, live: bool = True) -> Appended:
        """Store readings; idempotent on (sensor, quantity, instant), another value for an instant amends.

        heard_ms: when they arrived, by our clock (UTC ms).  live: whether the sensors themselves were heard just now;
        False for an import, which leaves alone when each sensor was last reading.
        Raises InputError for values that are not finite, absurd instants, or a derived quantity's name.
        """
        before = len(self.view.own)
        appended, sensors = appending.append(self.view, batch, amended_ms=heard_ms)
        self._repeats = self._repeats or appended.repeated > 0
        # What went straight into chunks is not told apart: all of such a batch counts as new.
        self._is_bulk = self._is_bulk or (appended.stored + appended.amended > 0 and len(self.view.own) != before + 1)
        if live and sensors:
            self._connection.execute(_HEARD, (heard_ms, json.dumps(sorted(sensors))))
        return appended

    def news(self, batch: ReadingBatch) -> ReadingBatch:
        """Give what of a batch that this unit has appended was not there before with the same value."""
        if not self._repeats or self._is_bulk:
            return batch
        return appending.news(self.view, batch)

    def save_site(self, site: Site, *, at_ms: int, by: Actor) -> int | None:
        """Make this the job as it stands, keeping what it was; no change, no new entry."""
        return kinds.put(self._connection, kinds.SITE, site, at_ms=at_ms, by=by)

    def save_judgement(self, room: str, state: Mapping[str, Any]) -> None:
        """Save the watch's state of a room (JSON-able)."""
        self._connection.execute(
            "INSERT INTO judgement (room, state) VALUES (?1, ?2) ON CONFLICT (room) DO UPDATE SET state = ?2",
            (room, canonical_json(state)),
        )

    def put_incident(self, incident: Incident, *, at_ms: int, by: Actor) -> None:
        """Write a new incident, or the new state of one, keeping what it was; no change, no new entry."""
        incidents.put(self._connection, incident, at_ms=at_ms, by=by)

    def put(self, kind: RecordKind[Noun], noun: Noun, *, at_ms: int, by: Actor) -> int | None:
        """Write a noun's new state, keeping what it was, and give the entry's number; no change, no new entry."""
        return kinds.put(self._connection, kind, noun, at_ms=at_ms, by=by)

    def remove(self, kind: RecordKind[Any], subject: str, *, at_ms: int, by: Actor) -> int | None:
        """Take a noun away; its history stays.  Raises RefusedError where there is none."""
        return kinds.remove(self._connection, kind, subject, at_ms=at_ms, by=by)

    def undo(self, kind: RecordKind[Noun], subject: str, *, at_ms: int, by: Actor) -> Noun | None:
        """Write the state before the newest one again, and give it.  Raises RefusedError where there is none."""
        return kinds.undo(self._connection, kind, subject, at_ms=at_ms, by=by)

    def add_notice(
        self,
        *,
        incident: str,
        kind: NoticeKind,
        channel: str,
        recipient: str,
        facts: Mapping[str, Any],
        created_ms: int,
        held_until_ms: int | None = None,
    ) -> int:
        """Put a notice into the outbox and give its number.  held_until_ms: when to collect it; None: due at once."""
        return outbox.add(
            self._connection,
            incident=incident,
            kind=kind,
            channel=channel,
            recipient=recipient,
            facts=facts,
            created_ms=created_ms,
            held_until_ms=held_until_ms,
        )

    def update_notice(self, notice: Notice) -> None:
        """Write how far a notice has come. Raises RefusedError when there is no notice of that number."""
        outbox.update(self._connection, notice)

    @property
    def telling(self) -> TellingBook:
        """What was told to whom, and what is still to be told."""
        return TellingBook(self._connection)

    def follow_changes(self, name: str, *, through: int) -> None:
        """Note that somebody has taken over all changes up to a number, and keep those after it for them."""
        feed.register(self._connection, name, through)

    def forget_changes(self, name: str) -> bool:
        """Keep no changes for somebody any longer; say whether any were kept."""
        return feed.forget(self._connection, name)

    def trim_changes(self, *, before_ms: int) -> None:
        """Let go of the changes that came before an instant of our clock, whoever still wanted them."""
        feed.trim(self._connection, before_ms=before_ms)

    def publish(self) -> None:
        """Hand on what was written, once it is committed, so that readers need not unpack it."""
        if self._own_view is not None:
            self._memory.publish(self._own_view)

    def save_forwarding(self, name: str, state: Mapping[str, Any]) -> None:
        """Save how far a forwarder has come (JSON-able)."""
        forwarding.save(self._connection, name, state)

    def put_aside(self, refused: Iterable[SetAside]) -> None:
        """Keep readings that the other side refused."""
        forwarding.put_aside(self._connection, refused)

    def take_back(self, accepted: Iterable[SetAside]) -> None:
        """Drop readings that the other side accepted after all."""
        forwarding.take_back(self._connection, accepted)

    def note_keys_used(self, used_ms: Mapping[str, int]) -> None:
        """Note when devices' keys were used last (UTC ms), by their names."""
        device_keys.note_used(self._connection, used_ms)

    def end(self) -> None:
        """Make this unit unusable: what is written through it afterwards would belong to no transaction."""
        self._open_connection = None

    @property
    def _connection(self) -> sqlite3.Connection:
        if self._open_connection is None:
            raise RuntimeError("this unit of work is over")
        return self._open_connection

    @contextlib.contextmanager
    def _inside(self) -> Iterator[sqlite3.Connection]:
        yield self._connection
