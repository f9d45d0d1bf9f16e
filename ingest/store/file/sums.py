"""Sums of rows: whether a row of the store says what was written.

A disk, or a memory, that turns a bit must not make us serve a wrong figure or name in silence. Chunks and rollups carry
checksums in their bytes, and entries of the record their hashes; every other row whose content is served or gone by has
a generated column that SQLite computes by `row_sum` whenever it writes the row, and that readers compare. It covers the
row's key too, so that one row is not taken for another. A program that does not have the function can read the tables
and not write them, which is as well. What the sums cannot hold, the structure of the file (an entry of an index that
leads nowhere), is what `PRAGMA integrity_check` finds.
"""

from __future__ import annotations

import sqlite3
import struct
import zlib
from collections.abc import Callable, Iterable, Iterator
from typing import Final, NamedTuple

SUMS: Final[dict[str, dict[str, str]]] = {
    "series": {
        "name_sum": "row_sum(id, CAST(sensor AS BLOB), CAST(quantity AS BLOB))",
        "head_sum": "row_sum(id, count, first_ms, last_ms, last_value, sealed_through)",
    },
    "batch": {"sum": "row_sum(number, heard_ms, CAST(body AS BLOB), CAST(bulk AS BLOB))"},
    "state": {"sum": "row_sum(id, generation, sealed_batch, gone_through, CAST(derived_as AS BLOB))"},
    "amendment": {"sum": "row_sum(number, series_id, at_ms, old_value, new_value, amended_ms)"},
    # Written for every sensor with every commit: the plainest sum there is. A name that was damaged is nobody's.
    "heard": {"sum": "~at_ms"},
    "incident": {
        "sum": "row_sum(CAST(id AS BLOB), CAST(room AS BLOB), opened_ms, closed_ms, record, CAST(kind AS BLOB), "
        "began_ms, CAST(severity AS BLOB))"
    },
    "judgement": {"sum": "row_sum(CAST(room AS BLOB), CAST(state AS BLOB))"},
    "notice": {
        "sum": "row_sum(number, CAST(incident AS BLOB), CAST(kind AS BLOB), CAST(channel AS BLOB), "
        "CAST(recipient AS BLOB), CAST(facts AS BLOB), created_ms, due_ms, CAST(state AS BLOB), attempts, "
        "CAST(last_error AS BLOB), sent_ms)"
    },
    "escalation": {"sum": "row_sum(CAST(incident AS BLOB), CAST(channel AS BLOB), CAST(recipient AS BLOB), due_ms)"},
    "device_key": {
        "sum": "row_sum(number, CAST(name AS BLOB), CAST(hash AS BLOB), CAST(sensors AS BLOB), made_ms, "
        "CAST(made_by AS BLOB), last_used_ms, revoked_ms)"
    },
    "forwarding": {"sum": "row_sum(CAST(name AS BLOB), CAST(state AS BLOB))"},
    "set_aside": {
        "sum": "row_sum(CAST(sensor AS BLOB), CAST(quantity AS BLOB), at_ms, value, revision, CAST(said AS BLOB), "
        "since_ms)"
    },
    "thinned": {"sum": "row_sum(CAST(sensor AS BLOB), from_ms, to_ms, series_id, count)"},
}
"""By table and column: what the sum covers. Texts as their bytes: a text that is no UTF-8 any more must not raise."""

SOUND: Final = {
    table: f"CASE WHEN {' AND '.join(f'{name} IS {of}' for name, of in sums.items())} THEN 1 "
    f"ELSE unsound('{table}') END"
    for table, sums in SUMS.items()
}
"""By table: the condition that holds for a row as it was written; others are told of (`tell_unsound`)."""


def sound(table: str) -> str:
    """Give what stands in a table as it was written, for a FROM clause."""
    return f"(SELECT * FROM {table} WHERE {SOUND[table]}) AS {table}"


def row_sum(*values: object) -> int:
    """Give the CRC-32 of a row's values: of each a letter for its kind, its length and its bytes (FORMAT.md)."""
    return zlib.crc32(b"".join(map(_as_bytes, values)))


def _as_bytes(value: object) -> bytes:
    if isinstance(value, bytes):
        return b"b%d:%b" % (len(value), value)
    if isinstance(value, float):
        return b"r" + struct.pack("<d", value)
    return b"i%d;" % value if isinstance(value, int) else b"n"


def know_sums(connection: sqlite3.Connection) -> None:
    """Give a connection the function that the schema computes its sums with."""
    connection.execute("PRAGMA trusted_schema = ON")  # some builds of SQLite ask for it before a schema may use it
    connection.create_function("row_sum", -1, row_sum, deterministic=True)
    tell_unsound(connection, lambda _: None)


def tell_unsound(connection: sqlite3.Connection, tell: Callable[[str], None]) -> None:
    """Have a sentence told for every row that is left out of an answer because it is not as it was written."""

    def unsound_row(table: str) -> int:
        tell(f"table {table}: a row is not as it was written, and is left out; lumberroom doctor says which")
        return 0

    connection.create_function("unsound", 1, unsound_row)


def columns_of(table: str) -> str:
    """Give the generated columns of a table, for its definition."""
    return ",\n".join(
        f"        {name} INTEGER NOT NULL GENERATED ALWAYS AS ({of}) STORED" for name, of in SUMS[table].items()
    )


class Unsound(NamedTuple):
    """A row that is not as it was written.  key: its primary key's values, as far as they can be read."""

    table: str
    row: tuple[object, ...]

    def __str__(self) -> str:
        if self.table == "batch":
            return f"batch {self.row[0]}: it is not as it was written"
        return f"table {self.table}, row {', '.join(map(_in_words, self.row[:2]))}: it is not as it was written"


def unsound(connection: sqlite3.Connection, tables: Iterable[str] = SUMS) -> Iterator[Unsound]:
    """Give every row of some tables whose sum is not that of what stands in it, texts as bytes."""
    for table in tables:
        yield from _unsound(connection, table, "")


def unsound_after(
    connection: sqlite3.Connection, table: str, after: int, limit: int
) -> tuple[list[Unsound], int | None]:
    """Give those among so many rows after a number, and the last one's number, None where there are no more.

    Tables of which the rows have no numbers are looked at whole.
    """
    (sql,) = connection.execute("SELECT sql FROM sqlite_schema WHERE name = ?", (table,)).fetchone()
    if "WITHOUT ROWID" in sql:
        return _unsound(connection, table, ""), None
    some = f"SELECT max(rowid) FROM (SELECT rowid FROM {table} WHERE rowid > ? ORDER BY rowid LIMIT ?)"
    (last,) = connection.execute(some, (after, limit)).fetchone()
    if last is None:
        return [], None
    return _unsound(connection, table, f"AND rowid > {after:d} AND rowid <= {last:d}"), int(last)


def _unsound(connection: sqlite3.Connection, table: str, which: str) -> list[Unsound]:
    names = [name for (name,) in connection.execute("SELECT name FROM pragma_table_info(?) ORDER BY cid", (table,))]
    kinds = ", ".join(f"CASE typeof({name}) WHEN 'text' THEN CAST({name} AS BLOB) ELSE {name} END" for name in names)
    wrong = " OR ".join(f"{name} IS NOT {of}" for name, of in SUMS[table].items())
    rows = connection.execute(f"SELECT {kinds} FROM {table} WHERE ({wrong}) {which}").fetchall()
    return [Unsound(table, tuple(row)) for row in rows]


def _in_words(value: object) -> str:
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)


def set_aside(connection: sqlite3.Connection) -> list[str]:
    """Take rows that are not as they were written out of their tables into `damaged`; give a sentence for each.

    Those of `series`, `state` and `batch` are not taken out: whoever reads them knows what to do.
    connection: in a transaction.
    """
    told = []
    tables = [table for table in SUMS if table not in ("series", "state", "batch")]
    for one in list(unsound(connection, tables)):
        connection.execute(
            "INSERT INTO damaged (sensor, from_ms, to_ms, what, body) VALUES ('', 0, 0, ?, ?)",
            (f"table {one.table}", repr(one.row).encode("utf-8", "replace")),
        )
        told.append(f"{one}; it is set aside")
    for table in tables if told else ():
        connection.execute(f"DELETE FROM {table} WHERE NOT ({SOUND[table]})")
    return told
