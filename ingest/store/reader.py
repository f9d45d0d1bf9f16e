"""Reading the store: every method one consistent state, from any thread."""

from __future__ import annotations

import functools
import json
import sqlite3
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import AbstractContextManager
from typing import Any, Final

from ingest.physics import air
from ingest.site.incidents import Incident, Notice, NoticeKind, NoticeState, Severity
from ingest.site.places import Site
from ingest.site.series import Buckets, Int64s, Sample, Series, SeriesKey, Span
from ingest.store.api import Changes, Rewritten, SeriesExtent
from ingest.store.file.sums import sound
from ingest.store.record import device_keys, forwarding, incidents, kinds, outbox, records
from ingest.store.record.device_keys import DeviceKey
from ingest.store.record.forwarding import SetAside
from ingest.store.record.incidents import Place
from ingest.store.record.kinds import Noun, RecordKind, Version
from ingest.store.series import feed, lookup, rows, thinned, together
from ingest.store.series.view import Rewritings, View

STANDARD_PRESSURE_KPA: Final = 101.325  # standard atmosphere by definition (ISO 2533)

Snapshot = Callable[[], AbstractContextManager[sqlite3.Connection]]
"""Opens a block with a connection on which everything that is read belongs to one state of the file."""

ViewOf = Callable[[sqlite3.Connection], View]
"""Gives what such a connection sees of the series."""


class SqliteReader:
    """Reads one file; satisfies `api.StoreReader`.

    Where a sensor measures no air pressure, derived series take `pressure_kpa`, or where that is None the pressure that
    belongs to the elevation of the stored site, or before there is a site the standard atmosphere.
    """

    def __init__(
        self,
        snapshot: Snapshot,
        view_of: ViewOf,
        pressure_kpa: float | None,
        rewritings: Rewritings | None = None,
    ) -> None:
        self._snapshot = snapshot
        self._view_of = view_of
        self._pressure_kpa = pressure_kpa
        self._rewritings = rewritings

    def extents(self) -> list[SeriesExtent]:
        """Give every measured series with its first and last instant and its count."""
        with self._snapshot() as connection:
            return rows.extents(self._view_of(connection))

    def read(self, key: SeriesKey, from_ms: int, to_ms: int) -> Series:
        """Give the samples with from_ms <= instant < to_ms, in order of time."""
        with self._snapshot() as connection:
            return lookup.read(self._view_of(connection), key, from_ms, to_ms, self.pressure_of(connection))

    def buckets(self, key: SeriesKey, edges_ms: Int64s) -> Buckets:
        """Give count, minimum, mean, maximum and coverage between consecutive edges.

        edges_ms: int64, at least two, strictly rising; ValueError if not.
        """
        with self._snapshot() as connection:
            return lookup.buckets(self._view_of(connection), key, edges_ms, self.pressure_of(connection))

    def buckets_of(self, keys: Sequence[SeriesKey], edges_ms: Int64s) -> dict[SeriesKey, Buckets]:
        """Give the buckets of many series between the same edges, of one state and quicker than one by one."""
        with self._snapshot() as connection:
            view, pressure = self._view_of(connection), self.pressure_of(connection)
            return together.buckets_of(view, keys, edges_ms, pressure)

    def latest(self, keys: Sequence[SeriesKey]) -> dict[SeriesKey, Sample]:
        """Give the newest sample of each of these series; series without one are left out."""
        with self._snapshot() as connection:
            return lookup.latest(self._view_of(connection), keys, functools.cache(self.pressure_of(connection)))

    def gaps(self, key: SeriesKey, from_ms: int, to_ms: int) -> list[Span]:
        """Give the stretches for which no reading vouches (see `series.coverage`)."""
        with self._snapshot() as connection:
            return lookup.gaps(self._view_of(connection), key, from_ms, to_ms, self.pressure_of(connection))

    def changes(self, after: int, limit: int) -> Changes:
        """Give what was stored after a change's number, in the order of commit, late and corrected readings included.

        after: 0, or the `through` of the answer before.  limit: about how many readings at a time.  Only what came
        after somebody registered (`SqliteUnitOfWork.follow_changes`) is sure to be kept; `lost` says when it is not.
        """
        with self._snapshot() as connection:
            return feed.changes(self._view_of(connection), after, limit)

    def rewritten(self, after: int) -> Rewritten:
        """Give whose past was written into since a mark, by late readings and corrections.

        after: 0, or the `through` of the answer before.  Only the process that writes knows.
        """
        return Rewritten(after, None) if self._rewritings is None else Rewritten(*self._rewritings.since(after))

    def newest_change(self) -> int:
        """Give the number of the newest change."""
        with self._snapshot() as connection:
            return self._view_of(connection).heads.state.top

    def site(self) -> Site | None:
        """Give the job as it stands, or None before it was seeded."""
        with self._snapshot() as connection:
            return records.site(connection)

    def history(self, kind: str, subject: str = "") -> list[records.Entry]:
        """Give every entry about the site ("site") or about an incident ("incident", its id), oldest first."""
        with self._snapshot() as connection:
            return records.history(connection, kind, subject)

    def log(self, *, kind: str | None = None, subject: str | None = None) -> list[records.Entry]:
        """Give the entries of the log, of a kind and about a subject where those are given, oldest first."""
        with self._snapshot() as connection:
            return records.every(connection, kind, subject)

    def record_head(self) -> tuple[int, str]:
        """Give number and hash of the newest entry of the record: noted elsewhere, they pin all of it."""
        with self._snapshot() as connection:
            return records.head(connection)

    def incidents(
        self,
        *,
        room: str | None = None,
        only_open: bool = False,
        limit: int = 200,
        before_ms: int | None = None,
        after: Place | None = None,
        at_least: Severity | None = None,
    ) -> list[Incident]:
        """Give incidents, newest `opened_ms` first, those of one instant by id.  after: those that follow it so."""
        with self._snapshot() as connection:
            return incidents.find(
                connection,
                room=room,
                only_open=only_open,
                limit=limit,
                before_ms=before_ms,
                after=after,
                at_least=at_least,
            )

    def incidents_begun(self, kinds: Iterable[str], from_ms: int, to_ms: int) -> list[Incident]:
        """Give incidents of some kinds that began between two instants, both included (UTC ms), oldest first."""
        with self._snapshot() as connection:
            return incidents.begun(connection, kinds, from_ms, to_ms)

    def incident(self, incident: str) -> Incident | None:
        """Give an incident by its id as it stands, or None where there is none or it was withdrawn."""
        with self._snapshot() as connection:
            return incidents.one(connection, incident)

    def nouns(
        self, kind: RecordKind[Noun], subjects: Iterable[str] | None = None, *, beginning: str = ""
    ) -> dict[str, Noun]:
        """Give nouns of a kind as they stand, by their subjects: those named, or all whose subject begins so."""
        with self._snapshot() as connection:
            return kinds.find(connection, kind, subjects, beginning=beginning)

    def versions(self, kind: RecordKind[Noun], subject: str) -> list[Version[Noun]]:
        """Give every state that a noun was in, the oldest first."""
        with self._snapshot() as connection:
            return kinds.versions(connection, kind, subject)

    def notices(
        self, *, state: NoticeState | None = None, limit: int = 200, incident: str | None = None
    ) -> list[Notice]:
        """Give notices of the outbox, of one incident or all, lowest number first."""
        with self._snapshot() as connection:
            return outbox.find(connection, state=state, limit=limit, incident=incident)

    def telling_due(self, now_ms: int) -> bool:
        """Say whether something is held back, or waits for somebody to answer, until `now_ms` at the latest."""
        with self._snapshot() as connection:
            return outbox.TellingBook(connection).is_due(now_ms)

    def digest_noted(self, channel: str, recipient: str, kind: NoticeKind, day: str) -> bool | None:
        """Say whether the digest of a day was written (True) or left out (False); None where neither."""
        with self._snapshot() as connection:
            return outbox.TellingBook(connection).digest(channel, recipient, kind, day)

    def sent_lately(self, limit: int) -> list[tuple[int, int]]:
        """Give when the notices that went out last were committed and sent (UTC ms), newest first."""
        with self._snapshot() as connection:
            return outbox.sent_lately(connection, limit)

    def judgement(self, room: str) -> dict[str, Any] | None:
        """Give the watch's saved state of a room, or None."""
        with self._snapshot() as connection:
            row = connection.execute(f"SELECT state FROM {sound('judgement')} WHERE room = ?", (room,)).fetchone()
        return None if row is None else json.loads(row[0])

    def heard(self) -> Mapping[str, int]:
        """Give, per sensor, when it was last reading by our clock (UTC ms)."""
        with self._snapshot() as connection:
            return dict(connection.execute(f"SELECT sensor, at_ms FROM {sound('heard')}").fetchall())

    def amendments(self, keys: Sequence[SeriesKey], from_ms: int, to_ms: int) -> dict[tuple[SeriesKey, int], int]:
        """Give how often readings of these series were amended, those that were, by series and instant."""
        with self._snapshot() as connection:
            return forwarding.amendments(connection, keys, from_ms, to_ms)

    def forwarding(self, name: str) -> dict[str, Any] | None:
        """Give what a forwarder has saved of how far it has come, or None."""
        with self._snapshot() as connection:
            return forwarding.load(connection, name)

    def set_aside(self, limit: int = 200) -> list[SetAside]:
        """Give readings that the central engine refused, those refused last first."""
        with self._snapshot() as connection:
            return forwarding.aside(connection, limit)

    def count_aside(self) -> int:
        """Give how many readings the central engine refused."""
        with self._snapshot() as connection:
            return forwarding.count_aside(connection)

    def too_late(self) -> list[thinned.TooLate]:
        """Give what came for stretches that were thinned and was not taken, by sensor."""
        with self._snapshot() as connection:
            return thinned.too_late(connection)

    def device_key(self, key: str) -> DeviceKey | None:
        """Give what is known of a device's key that holds, or None."""
        with self._snapshot() as connection:
            return device_keys.find(connection, key)

    def device_keys(self) -> list[DeviceKey]:
        """Give all keys that devices ever had, those that hold first."""
        with self._snapshot() as connection:
            return device_keys.listed(connection)

    def pressure_kpa(self) -> float:
        """Give the air pressure that derived series take where none is measured."""
        with self._snapshot() as connection:
            return self._pressure(connection)

    def pressure_of(self, connection: sqlite3.Connection) -> Callable[[], float]:
        """Give what looks up that pressure on a connection, if it is wanted at all."""
        return lambda: self._pressure(connection)

    def _pressure(self, connection: sqlite3.Connection) -> float:
        if self._pressure_kpa is not None:
            return self._pressure_kpa
        site = records.site(connection)
        return STANDARD_PRESSURE_KPA if site is None else float(air.pressure_from_elevation_kpa(site.elevation_m))
