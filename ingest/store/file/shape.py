"""Whether a file has every table, index, trigger and view of our schema, and making anew what it lacks.

What a file says of its own schema (the table `sqlite_schema`) has no sum, and a bit that turned in it keeps SQLite from
reading anything. But it is known: every file of ours is made by the same steps, so that the texts, their order and the
pages where tables begin are the same in all. One entry that differs, while all others are as they should be, is
damaged, and is written as it was.
"""

from __future__ import annotations

import contextlib
import functools
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Final, NamedTuple

from ingest.store.file import schema
from ingest.store.file.sums import SOUND, know_sums

_ORDER: Final = {"table": 0, "index": 1, "view": 2, "trigger": 3}


class Part(NamedTuple):
    """One part of the schema.  kind: "table", "index", "view" or "trigger".  sql: what makes it."""

    kind: str
    name: str
    sql: str


class Done(NamedTuple):
    """What was mended.  loses: whether something that was stored cannot be had from this file any more."""

    what: str
    loses: bool


COMPUTED: Final = ("rollup", "stale")
"""Tables whose content is computed again from the rest."""


@functools.cache
def expected() -> tuple[Part, ...]:
    """Give the parts of our schema, in an order in which they can be made."""
    with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as fresh:
        schema.migrate(fresh)
        found = [Part(*row) for row in fresh.execute("SELECT type, name, sql FROM sqlite_schema WHERE sql IS NOT NULL")]
    ours = [part for part in found if not part.name.startswith("sqlite_")]
    return tuple(sorted(ours, key=lambda part: _ORDER[part.kind]))


def mended_text(path: Path) -> list[str]:
    """Write the entry of a file's schema in which something turned as it was; say so, or nothing where there is none.

    path: a store's file that no other program writes.  Raises sqlite3.Error where not even the schema can be read.
    """
    if not path.exists() or path.stat().st_size == 0:
        return []
    address = f"{path.absolute().as_uri()}?mode=rw"
    with contextlib.closing(sqlite3.connect(address, uri=True, isolation_level=None)) as raw:
        raw.text_factory = bytes
        raw.execute("PRAGMA wal_autocheckpoint = 0")
        if schema.application_of(raw) != schema.APPLICATION_ID or schema.version_of(raw) != schema.SCHEMA_VERSION:
            return []
        raw.execute("PRAGMA writable_schema = ON")  # with this SQLite takes the entries that it can read
        there = {entry[0]: entry[1:] for entry in raw.execute(f"SELECT rowid, {_ENTRY} FROM sqlite_schema")}
        true = _entries()
        lacking = [entry for entry in true if entry not in there.values()]
        odd = [
            rowid for rowid, entry in there.items() if entry not in true and not bytes(entry[1]).startswith(_ANALYSED)
        ]
        if len(lacking) != 1 or len(odd) != 1 or not (_near(lacking[0], there[odd[0]]) or _is_broken(path)):
            return []
        raw.execute("BEGIN IMMEDIATE")
        texts = [value.decode() if isinstance(value, bytes) else value for value in lacking[0]]
        raw.execute(f"UPDATE sqlite_schema SET ({_ENTRY}) = (?, ?, ?, ?, ?) WHERE rowid = ?", (*texts, odd[0]))
        (version,) = raw.execute("PRAGMA schema_version").fetchone()
        raw.execute(f"PRAGMA schema_version = {version + 1}")
        raw.execute("COMMIT")
    return [f"schema: what the file says of its {texts[0]} {texts[1]} was damaged, and is mended"]


_Entry = tuple[bytes | int | None, ...]
_ENTRY: Final = "type, name, tbl_name, rootpage, sql"
_ANALYSED: Final = b"sqlite_stat"  # what SQLite keeps for planning: made later, and not by us
_FEW_BITS: Final = 3


@functools.cache
def _entries() -> tuple[_Entry, ...]:
    """Give all entries of a file's schema as it is made."""
    with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as fresh:
        fresh.execute("PRAGMA auto_vacuum = INCREMENTAL")  # on which it depends where tables begin
        schema.migrate(fresh)
        fresh.text_factory = bytes
        return tuple(fresh.execute(f"SELECT {_ENTRY} FROM sqlite_schema").fetchall())


def _near(one: _Entry, other: _Entry) -> bool:
    """Say whether two entries differ in a few bits only, and are not of two editions of the schema."""
    return sum(map(_bits_apart, one, other)) <= _FEW_BITS


def _bits_apart(one: bytes | int | None, other: bytes | int | None) -> int:
    if isinstance(one, bytes) and isinstance(other, bytes) and len(one) == len(other):
        return (int.from_bytes(one, "big") ^ int.from_bytes(other, "big")).bit_count()
    if isinstance(one, int) and isinstance(other, int):
        return (one ^ other).bit_count()
    return 0 if one == other else _FEW_BITS + 1


def _is_broken(path: Path) -> bool:
    """Say whether SQLite cannot take the schema as it stands."""
    with contextlib.closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as plain:
        know_sums(plain)
        try:
            plain.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        except (sqlite3.DatabaseError, UnicodeDecodeError):
            return True
    return False


def missing(connection: sqlite3.Connection) -> list[Part]:
    """Give the parts that a file lacks."""
    there = set(connection.execute("SELECT type, name FROM sqlite_schema"))
    return [part for part in expected() if (part.kind, part.name) not in there]


def has_tables(connection: sqlite3.Connection) -> bool:
    """Say whether every table is there."""
    return not any(part.kind == "table" for part in missing(connection))


def has_state(connection: sqlite3.Connection) -> bool:
    """Say whether the one row that says where the file stands is there, and as it was written."""
    return int(connection.execute(f"SELECT count(*) FROM state WHERE {SOUND['state']}").fetchone()[0]) == 1


def faults(connection: sqlite3.Connection) -> Iterator[str]:
    """Say what the file lacks, a sentence each."""
    for part in missing(connection):
        yield f"{part.kind} {part.name}: it is missing"
    if has_tables(connection) and not has_state(connection):
        yield "table state: its row is missing or damaged"


def made_anew(connection: sqlite3.Connection) -> Iterator[Done]:
    """Make what the file lacks, and say so; tables are empty then.  connection: in a transaction."""
    for part in missing(connection):
        connection.execute(part.sql)
        is_table = part.kind == "table"
        said = f"{part.kind} {part.name}: made anew{', empty' if is_table else ''}"
        yield Done(said, is_table and part.name not in COMPUTED)
    if not has_state(connection):
        connection.execute("DELETE FROM state")
        write_state(connection)
        yield Done("table state: its row is written anew", loses=False)


def write_state(connection: sqlite3.Connection) -> None:
    """Write where the file stands, as series and batches tell it.  connection: in a transaction.

    No batch that is there counts as sealed: which of its readings are, every series says for itself.
    """
    connection.execute(
        "INSERT INTO state (id, generation, sealed_batch, gone_through, derived_as) "
        "SELECT 1, 1, min(sealed, coalesce((SELECT min(number) - 1 FROM batch), sealed)), 0, '' "
        "FROM (SELECT coalesce(max(sealed_through), 0) AS sealed FROM series)"
    )
