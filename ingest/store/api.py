"""What a store offers: the contract that the embedded store keeps, and later the central engine.

Reading is free-threaded (any number of readers, while one writer writes); writing is one unit of work at a time:
`with store.transaction() as work: ...` commits on leaving and is durable then, or rolls everything back.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Any, Final, NamedTuple, Protocol, runtime_checkable

from ingest.site.actor import Actor
from ingest.site.incidents import Incident, Notice, NoticeKind, NoticeState, Severity
from ingest.site.places import Site
from ingest.site.series import Buckets, Floats, Int64s, ReadingBatch, Sample, Series, SeriesKey, Span
from ingest.store.record.incidents import Place
from ingest.store.record.kinds import Noun, RecordKind, Version
from ingest.store.record.outbox import TellingBook
from ingest.store.record.records import Entry


class Appended(NamedTuple):
    """What became of a batch: stored for the first time, already there with the same value, there with another value.

    An amended reading takes the new value; the old one is kept in the record of amendments.
    too_late: not stored, because the readings around it went by a rule of retention (`[data] keep_readings_days`).
    """

    stored: int
    repeated: int
    amended: int
    too_late: int = 0


@dataclass(frozen=True, slots=True)
class SeriesExtent:
    """How far one measured series reaches."""

    key: SeriesKey
    first_ms: int
    last_ms: int
    count: int


class Changes(NamedTuple):
    """Readings in the order in which they were committed.

    keys: distinct series.  key_index: int64 (n,).  at_ms: int64 (n,).  value: float64 (n,).  number: int64 (n,), of the
    change that brought it, not falling.  through: ask on from here.  lost: changes after the asked one are gone
    already, so that whoever reads along must begin anew from the series themselves.
    """

    keys: tuple[SeriesKey, ...]
    key_index: Int64s
    at_ms: Int64s
    value: Floats
    number: Int64s
    through: int
    lost: bool


class ChangeReader(Protocol):
    """Reading along in the order of commit, for who carries readings elsewhere; the embedded store offers it."""

    def changes(self, after: int, limit: int) -> Changes:
        """Give what was stored after a change's number, late and corrected readings included, once each.

        after: 0, or the `through` of the answer before.  limit: about how many readings at a time.
        """
        ...

    def newest_change(self) -> int:
        """Give the number of the newest change."""
        ...


class Rewritten(NamedTuple):
    """Whose past was written into.

    through: ask on from here.  earliest_ms: by sensor, the earliest instant of what came late or corrected; None where
    that is not known, and anything may have been.
    """

    through: int
    earliest_ms: Mapping[str, int] | None


@runtime_checkable
class RewriteReader(Protocol):
    """Telling when what was computed from readings no longer holds; the embedded store offers it."""

    def rewritten(self, after: int) -> Rewritten:
        """Give whose past was written into since a mark.  after: 0, or the `through` of the answer before.

        A reading newer than all that its series had leaves the past as it is.
        """
        ...


class SeriesReader(Protocol):
    """Reading time series. Quantities may be measured or derived; an unknown series is an empty one, not an error."""

    def extents(self) -> list[SeriesExtent]:
        """Give every measured series with its first and last instant and its count."""
        ...

    def read(self, key: SeriesKey, from_ms: int, to_ms: int) -> Series:
        """Give the samples with from_ms <= instant < to_ms, in order of time."""
        ...

    def buckets(self, key: SeriesKey, edges_ms: Int64s) -> Buckets:
        """Give count, minimum, mean, maximum and coverage between consecutive edges (strictly rising, at least two)."""
        ...

    def buckets_of(self, keys: Sequence[SeriesKey], edges_ms: Int64s) -> dict[SeriesKey, Buckets]:
        """Give the buckets of many series between the same edges, all of one state."""
        ...

    def latest(self, keys: Sequence[SeriesKey]) -> dict[SeriesKey, Sample]:
        """Give the newest sample of each of these series; series without one are left out."""
        ...

    def gaps(self, key: SeriesKey, from_ms: int, to_ms: int) -> list[Span]:
        """Give the stretches for which no reading vouches (see `Buckets.coverage`)."""
        ...


class RecordReader(Protocol):
    """Reading what is not a time series."""

    def site(self) -> Site | None:
        """Give the job as it stands, or None before it was seeded."""
        ...

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
        ...

    def incidents_begun(self, kinds: Iterable[str], from_ms: int, to_ms: int) -> list[Incident]:
        """Give incidents of some kinds that began between two instants, both included (UTC ms), oldest first."""
        ...

    def incident(self, incident: str) -> Incident | None:
        """Give an incident by its id as it stands, or None where there is none or it was withdrawn."""
        ...

    def nouns(
        self, kind: RecordKind[Noun], subjects: Iterable[str] | None = None, *, beginning: str = ""
    ) -> Mapping[str, Noun]:
        """Give nouns of a kind as they stand, by their subjects: those named, or all whose subject begins so."""
        ...

    def versions(self, kind: RecordKind[Noun], subject: str) -> Sequence[Version[Noun]]:
        """Give every state that a noun was in, the oldest first."""
        ...

    def history(self, kind: str, subject: str = "") -> Sequence[Entry]:
        """Give every entry of the record about an incident ("incident" or "handling", its id), oldest first."""
        ...

    def record_head(self) -> tuple[int, str]:
        """Give number and hash of the newest entry of the record: noted elsewhere, they pin all of it."""
        ...

    def notices(
        self, *, state: NoticeState | None = None, limit: int = 200, incident: str | None = None
    ) -> list[Notice]:
        """Give notices of the outbox, of one incident or all, lowest number first."""
        ...

    def telling_due(self, now_ms: int) -> bool:
        """Say whether something is held back, or waits for somebody to answer, until `now_ms` at the latest."""
        ...

    def digest_noted(self, channel: str, recipient: str, kind: NoticeKind, day: str) -> bool | None:
        """Say whether the digest of a day was written (True) or left out (False); None where neither."""
        ...

    def sent_lately(self, limit: int) -> list[tuple[int, int]]:
        """Give when the notices that went out last were committed and sent (UTC ms), newest first."""
        ...

    def judgement(self, room: str) -> dict[str, Any] | None:
        """Give the watch's saved state of a room (JSON-able, the watch's own business), or None."""
        ...

    def heard(self) -> Mapping[str, int]:
        """Give, per sensor, when it was last reading by our clock (UTC ms, time of arrival and not of measuring)."""
        ...


class UnitOfWork(Protocol):
    """One transaction. Everything in it becomes durable together, or nothing does."""

    def append(self, batch: ReadingBatch, *, heard_ms: int, live: bool = True) -> Appended:
        """Store readings; idempotent on (sensor, quantity, instant).

        heard_ms: when they arrived, by our clock.  live: whether the sensors themselves were heard just now; False for
        an import of old readings, which must not make a silent sensor count as heard.
        Raises InputError for a value that is not finite, an absurd instant, or the name of a derived quantity.
        """
        ...

    def news(self, batch: ReadingBatch) -> ReadingBatch:
        """Give what of a batch that this unit has appended was not there before with the same value."""
        ...

    def save_site(self, site: Site, *, at_ms: int, by: Actor) -> int | None:
        """Make this the job as it stands, keeping what it was; no change, no new entry."""
        ...

    def save_judgement(self, room: str, state: Mapping[str, Any]) -> None:
        """Save the watch's state of a room."""
        ...

    def put_incident(self, incident: Incident, *, at_ms: int, by: Actor) -> None:
        """Write a new incident, or the new state of one, keeping what it was."""
        ...

    def put(self, kind: RecordKind[Noun], noun: Noun, *, at_ms: int, by: Actor) -> int | None:
        """Write a noun's new state, keeping what it was, and give the entry's number; no change, no new entry."""
        ...

    def remove(self, kind: RecordKind[Any], subject: str, *, at_ms: int, by: Actor) -> int | None:
        """Take a noun away; its history stays.  Raises RefusedError where there is none."""
        ...

    def undo(self, kind: RecordKind[Noun], subject: str, *, at_ms: int, by: Actor) -> Noun | None:
        """Write the state before the newest one again, and give it.  Raises RefusedError where there is none."""
        ...

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
        ...

    def update_notice(self, notice: Notice) -> None:
        """Write how far a notice has come (state, attempts, due_ms, last_error, sent_ms)."""
        ...

    @property
    def telling(self) -> TellingBook:
        """What was told to whom, and what is still to be told."""
        ...

    @property
    def read(self) -> StoreReader:
        """Read within this transaction: what it has written so far is seen."""
        ...


class StoreReader(SeriesReader, RecordReader, Protocol):
    """Everything that can be read."""


class Store(Protocol):
    """A store: a reader, and the one door for writing."""

    @property
    def read(self) -> StoreReader:
        """Give the reader, safe to use from any thread, each call seeing a consistent state."""
        ...

    def transaction(self) -> AbstractContextManager[UnitOfWork]:
        """Open the one unit of work (waits for another to end).

        Raises StorageError when the file cannot be written; nothing of the unit is stored then.
        """
        ...

    def close(self) -> None:
        """Close the file."""
        ...


AHEAD_MS: Final = 5 * 60_000
"""So far past our clock an instant may lie and be one of now: clocks of sensors drift a little."""

_LOOKED_BACK_MS: Final = 32 * 86_400_000


def newest_until(read: SeriesReader, keys: Sequence[SeriesKey], now_ms: int) -> dict[SeriesKey, Sample]:
    """Give the newest sample of each series that is not of the future; series without one are left out.

    A clock that was wrong for a while leaves readings dated far ahead: those do not stand for now. Where there are any,
    the last month is looked through for what does.
    """
    found = read.latest(keys)
    for key in [key for key, sample in found.items() if sample.at_ms > now_ms + AHEAD_MS]:
        before = read.read(key, now_ms - _LOOKED_BACK_MS, now_ms + AHEAD_MS + 1)
        if len(before):
            found[key] = Sample(int(before.at_ms[-1]), float(before.value[-1]))
        else:
            del found[key]
    return found
