"""The job and everything else that must not change quietly: entries that are only ever added, chained by hash.

Entry n's hash is the SHA-256 of the canonical JSON (UTF-8) of the object {at_ms, body, by, kind, number, previous,
subject}, where `body` is the text as stored and `previous` the hash of entry n - 1 (64 zeros before the first).
Whoever changes, removes or slips in an entry breaks the chain from there on. The chain alone cannot show that its
newest entries were cut off, or that the whole was written anew: for that, `head` must have been noted elsewhere.
"""

from __future__ import annotations

import functools
import hashlib
import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from ingest.site.actor import Actor
from ingest.site.places import Site
from ingest.store.record.plain import canonical_json, from_plain

NO_HASH: Final = "0" * 64
_TEXTS: Final = ("kind", "subject", "by", "body", "previous", "hash")
# Texts as bytes: a turned bit may have made one no UTF-8 any more, and that is to be told, not raised.
COLUMNS: Final = ", ".join(
    f"CAST(record.{name} AS BLOB)" if name in _TEXTS else f"record.{name}"
    for name in ("number", "kind", "subject", "at_ms", "by", "body", "previous", "hash")
)
_COLUMNS: Final = f"SELECT {COLUMNS} FROM record"


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the record.

    number: 1, 2, 3 ...  kind: "site", "incident" or "handling".  subject: "" for the site, else the incident's id.
    at_ms: when it was written (UTC ms).  by: who wrote it, an `Actor` as text.  text: its body, canonical JSON.
    """

    number: int
    kind: str
    subject: str
    at_ms: int
    by: str
    text: str
    previous: str
    hash: str

    @property
    def body(self) -> dict[str, Any]:
        """What the entry says."""
        body: dict[str, Any] = json.loads(self.text)
        return body

    def true_hash(self) -> str:
        """Compute the hash that belongs to what the entry says."""
        covered = {
            "at_ms": self.at_ms,
            "body": self.text,
            "by": self.by,
            "kind": self.kind,
            "number": self.number,
            "previous": self.previous,
            "subject": self.subject,
        }
        return hashlib.sha256(canonical_json(covered).encode("utf-8")).hexdigest()


_NEWEST: Final = "WHERE kind = ? AND subject = ? ORDER BY number DESC LIMIT 1"


@functools.lru_cache(maxsize=4096)
def entry(*row: Any) -> Entry:
    """Make an entry of a row of `COLUMNS`; of damaged texts what can be read. Remembered, for it is hashed to look."""
    values: list[Any] = [value.decode("utf-8", "replace") if isinstance(value, bytes) else value for value in row]
    return Entry(*values)


@functools.lru_cache(maxsize=4096)
def is_sound(one: Entry) -> bool:
    """Say whether an entry says what was written."""
    return one.hash == one.true_hash()


def entry_or_before(connection: sqlite3.Connection, row: tuple[Any, ...]) -> Entry | None:
    """Give the entry of a row of `COLUMNS`; where that is damaged the newest sound one before it, or None."""
    found = entry(*row)
    return found if _is_sound(connection, found) else newest(connection, found.kind, found.subject)


def _is_sound(connection: sqlite3.Connection, one: Entry) -> bool:
    """Say whether an entry says what was written; where not, that it is left out of an answer is told."""
    if is_sound(one):
        return True
    connection.execute("SELECT unsound('record')").fetchone()
    return False


def damaged_newest(connection: sqlite3.Connection, kind: str, subject: str) -> int:
    """Give the number of the newest entry about a subject where that is damaged, else 0."""
    row = connection.execute(f"{_COLUMNS} {_NEWEST}", (kind, subject)).fetchone()
    return 0 if row is None or is_sound(entry(*row)) else int(row[0])


def add(
    connection: sqlite3.Connection, kind: str, subject: str, body: Mapping[str, Any], *, at_ms: int, by: Actor
) -> int | None:
    """Add an entry and give its number; None, and nothing is written, where the newest one says the same already."""
    text = canonical_json(body)
    before = newest(connection, kind, subject)
    if before is not None and before.body == json.loads(text):
        return None
    number, previous = head(connection)
    made = Entry(number + 1, kind, subject, at_ms, str(by), text, previous, "")
    connection.execute(
        "INSERT INTO record (number, kind, subject, at_ms, by, body, previous, hash) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (made.number, kind, subject, at_ms, made.by, text, previous, made.true_hash()),
    )
    return made.number


def head(connection: sqlite3.Connection) -> tuple[int, str]:
    """Give number and hash of the newest entry: quoted elsewhere, they pin the whole record. (0, zeros) if empty."""
    newest = "SELECT number, CAST(hash AS BLOB) FROM record ORDER BY number DESC LIMIT 1"
    row = connection.execute(newest).fetchone()
    return (0, NO_HASH) if row is None else (row[0], row[1].decode("utf-8", "replace"))


def newest(connection: sqlite3.Connection, kind: str, subject: str) -> Entry | None:
    """Give the newest entry about a subject that says what was written, or None."""
    row = connection.execute(f"{_COLUMNS} {_NEWEST}", (kind, subject)).fetchone()
    if row is None or _is_sound(connection, found := entry(*row)):
        return None if row is None else found
    return next(reversed(history(connection, kind, subject)), None)


def history(connection: sqlite3.Connection, kind: str, subject: str) -> list[Entry]:
    """Give every entry about a subject that says what was written, oldest first."""
    rows = connection.execute(f"{_COLUMNS} WHERE kind = ? AND subject = ? ORDER BY number", (kind, subject))
    return [found for row in rows if _is_sound(connection, found := entry(*row))]


def every(connection: sqlite3.Connection, kind: str | None, subject: str | None) -> list[Entry]:
    """Give every entry, sound or not, of a kind and about a subject where those are given, oldest first."""
    rows = connection.execute(
        f"{_COLUMNS} WHERE (?1 IS NULL OR kind = ?1) AND (?2 IS NULL OR subject = ?2) ORDER BY number", (kind, subject)
    )
    return [entry(*row) for row in rows]


def verify_chain(connection: sqlite3.Connection) -> list[str]:
    """Say in sentences where the record was tampered with or damaged; nothing where it is whole."""
    return verify_some(connection, 0, -1)[0]


def verify_some(connection: sqlite3.Connection, after: int, limit: int) -> tuple[list[str], int]:
    """Verify so many entries after one, -1 for all; give what is wrong, a sentence each, and the last one's number."""
    faults = []
    number, previous = after, NO_HASH
    before = connection.execute(f"{_COLUMNS} WHERE number = ?", (after,)).fetchone()
    if before is not None:
        previous = entry(*before).hash
    for row in connection.execute(f"{_COLUMNS} WHERE number > ? ORDER BY number LIMIT ?", (after, limit)):
        one = entry(*row)
        if one.number != number + 1:
            faults.append(f"record: entries {number + 1} to {one.number - 1} are missing")
        elif one.previous != previous:
            faults.append(f"record: entry {one.number} does not follow from entry {number}")
        if one.hash != one.true_hash():
            faults.append(f"record: entry {one.number} ({one.kind} {one.subject}) was changed after it was written")
        number, previous = one.number, one.hash
    return faults, number


def site(connection: sqlite3.Connection) -> Site | None:
    """Give the job as it stands, or None before it was seeded."""
    found = newest(connection, "site", "")
    return None if found is None else _site_of(found.text)


@functools.lru_cache(maxsize=8)
def _site_of(text: str) -> Site:
    # Every read of a derived series asks for the site's elevation: taking a large site apart each time costs more than
    # the reading. It is frozen, hence shared safely; another text is another site.
    return from_plain(Site, json.loads(text))
