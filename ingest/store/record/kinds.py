"""Nouns with a history: each a dataclass, a kind of the log, and the subject that names one of them.

A row in here is all that a noun costs: its entries in the log, its newest state, its history, taking it away, undoing a
change and export come of themselves. There is no table beside the log: the newest entry of a subject is the noun as it
stands, found by the log's own index. Subjects sort as text; one that begins with its room and its instant
("oak-store/001795600800000/7") can be listed by room, and by time, without looking at the others.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, Final, Generic, NamedTuple, TypeVar

from ingest.errors import RefusedError
from ingest.site.actor import Actor
from ingest.site.handling import Handling
from ingest.site.places import Site
from ingest.store.record import records
from ingest.store.record.plain import from_plain, to_plain

Noun = TypeVar("Noun")

REMOVED: Final = {"removed": True}
"""What an entry says of a noun that was taken away."""


@dataclass(frozen=True, slots=True)
class RecordKind(Generic[Noun]):
    """A kind of noun.  name: of its entries in the log.  noun: its class.  subject: gives one's name in the kind."""

    name: str
    noun: type[Noun]
    subject: Callable[[Noun], str]

    def of(self, entry: records.Entry) -> Noun | None:
        """Give the noun as an entry has it, None where it was taken away then."""
        body: dict[str, Any] = entry.body
        return None if body == REMOVED else from_plain(self.noun, body)


class Version(NamedTuple, Generic[Noun]):
    """A state that a noun was in.  state: None where it was taken away.  at_ms: when that was written (UTC)."""

    number: int
    at_ms: int
    by: Actor
    state: Noun | None


SITE: Final = RecordKind("site", Site, lambda _: "")
HANDLING: Final = RecordKind("handling", Handling, lambda one: one.incident)

KINDS: Final[dict[str, RecordKind[Any]]] = {kind.name: kind for kind in (SITE, HANDLING)}


def put(connection: sqlite3.Connection, kind: RecordKind[Noun], noun: Noun, *, at_ms: int, by: Actor) -> int | None:
    """Write a noun's new state and give the entry's number; None, and no entry, where nothing changes."""
    return records.add(connection, kind.name, kind.subject(noun), to_plain(noun), at_ms=at_ms, by=by)


def remove(connection: sqlite3.Connection, kind: RecordKind[Any], subject: str, *, at_ms: int, by: Actor) -> int | None:
    """Take a noun away; its history stays.  Raises RefusedError where there is none of that name."""
    if one(connection, kind, subject) is None:
        raise RefusedError(f"there is no such {kind.name}", where=subject)
    return records.add(connection, kind.name, subject, REMOVED, at_ms=at_ms, by=by)


def undo(connection: sqlite3.Connection, kind: RecordKind[Noun], subject: str, *, at_ms: int, by: Actor) -> Noun | None:
    """Write the state before the newest one again, and give it; None where there was nothing before.

    Undone twice it is done again.  Raises RefusedError where there is none of that name.
    """
    states = versions(connection, kind, subject)
    if not states:
        raise RefusedError(f"there is no such {kind.name}", where=subject)
    before = states[-2].state if len(states) > 1 else None
    records.add(connection, kind.name, subject, REMOVED if before is None else to_plain(before), at_ms=at_ms, by=by)
    return before


def one(connection: sqlite3.Connection, kind: RecordKind[Noun], subject: str) -> Noun | None:
    """Give a noun as it stands, or None."""
    found = records.newest(connection, kind.name, subject)
    return None if found is None else kind.of(found)


def find(
    connection: sqlite3.Connection,
    kind: RecordKind[Noun],
    subjects: Iterable[str] | None = None,
    *,
    beginning: str = "",
) -> dict[str, Noun]:
    """Give nouns by their subjects, in the order of those; names that are not there are left out.

    subjects: those wanted, None for all.  beginning: only those whose subject begins so.
    """
    wanted = None if subjects is None else json.dumps(sorted(set(subjects)))
    rows = connection.execute(
        f"SELECT {records.COLUMNS} FROM record WHERE number IN ("
        "SELECT max(number) FROM record WHERE kind = ?1 "
        "AND subject >= ?3 AND (?3 = '' OR subject < ?3 || char(1114111)) "
        "AND (?2 IS NULL OR subject IN (SELECT value FROM json_each(?2))) GROUP BY subject) ORDER BY subject",
        (kind.name, wanted, beginning),
    ).fetchall()
    entries = [records.entry_or_before(connection, row) for row in rows]
    return {entry.subject: noun for entry in entries if entry is not None and (noun := kind.of(entry)) is not None}


def versions(connection: sqlite3.Connection, kind: RecordKind[Noun], subject: str) -> list[Version[Noun]]:
    """Give every state of a noun, the oldest first."""
    return [
        Version(entry.number, entry.at_ms, Actor.of(entry.by), kind.of(entry))
        for entry in records.history(connection, kind.name, subject)
    ]
