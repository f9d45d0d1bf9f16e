"""Whether a file has every table, index, trigger and view of our schema, and making anew what it lacks."""

from __future__ import annotations

import contextlib
import functools
import sqlite3
from collections.abc import Iterator
from typing import Final, NamedTuple

from ingest.store.file import schema
from ingest.store.file.sums import SOUND

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
