"""The schema: its version, the way forward, and what an ordinary SQLite tool sees of it."""

import contextlib
import sqlite3

import pytest

from ingest.errors import StorageError
from ingest.store.file import schema
from ingest.store.file.schema import MIGRATIONS, Migration
from ingest.store.file.sums import know_sums
from ingest.store.sqlite_store import SqliteStore


@pytest.fixture
def old_file(path, batch):
    """A store with one reading in it."""
    with SqliteStore.open(path) as store, store.transaction() as work:
        work.append(batch([1763000000123], [55.5], sensor="attic/1", quantity="rh_percent"), heard_ms=0)
    return path


def test_steps_are_numbered_without_a_hole() -> None:
    """Version n is reached by step n."""
    assert [step.version for step in MIGRATIONS] == list(range(1, schema.SCHEMA_VERSION + 1))


def test_a_new_file_has_the_newest_schema_and_says_whose_it_is(store, path) -> None:
    """application_id, user_version, write-ahead log and the record of steps are what they should be."""
    with contextlib.closing(sqlite3.connect(path)) as connection:
        assert schema.application_of(connection) == schema.APPLICATION_ID
        assert schema.version_of(connection) == schema.SCHEMA_VERSION
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert schema.pending(connection) == []
        taken = connection.execute("SELECT version, name FROM migration ORDER BY version").fetchall()
        tables = connection.execute("SELECT name, strict FROM pragma_table_list WHERE type = 'table'").fetchall()
    assert taken == [(step.version, step.name) for step in MIGRATIONS]
    assert [name for name, strict in tables if not strict and not name.startswith("sqlite_")] == []


def test_the_writer_waits_for_the_disk(store) -> None:
    """synchronous is FULL on the writing connection: a commit is on the disk when it returns."""
    with store.transaction() as work:
        assert work._connection.execute("PRAGMA synchronous").fetchone() == (2,)


def note_colour(connection: sqlite3.Connection) -> None:
    """An invented next step."""
    connection.execute("ALTER TABLE series ADD COLUMN colour TEXT")


def break_down(connection: sqlite3.Connection) -> None:
    """An invented step that gets half of its work done."""
    connection.execute("CREATE TABLE half_done (id INTEGER PRIMARY KEY) STRICT")
    connection.execute("INSERT INTO no_such_table VALUES (1)")


def test_steps_are_taken_once_and_a_failed_one_leaves_the_version_before(old_file) -> None:
    """A good step is taken and recorded once; one that fails half way is undone, table, record, version and all."""
    good, bad = Migration(2, "note_colour", note_colour), Migration(3, "break_down", break_down)
    with contextlib.closing(sqlite3.connect(old_file, isolation_level=None)) as connection:
        with pytest.raises(sqlite3.OperationalError, match="no_such_table"):
            schema.migrate(connection, (*MIGRATIONS[:1], good, bad))
        assert schema.version_of(connection) == 2
        assert schema.migrate(connection, (*MIGRATIONS[:1], good)) == []
        assert connection.execute("SELECT name FROM migration").fetchall() == [("first_schema",), ("note_colour",)]
        assert connection.execute("SELECT count(*) FROM sqlite_schema WHERE name = 'half_done'").fetchone() == (0,)
        assert connection.execute("SELECT colour FROM series").fetchone() == (None,)


def test_a_newer_schema_is_left_alone(old_file) -> None:
    """A file of a later edition is refused for writing and for reading, naming both versions."""
    with contextlib.closing(sqlite3.connect(old_file)) as connection:
        connection.execute("PRAGMA user_version = 99")
    for read_only in (False, True):
        with pytest.raises(StorageError, match=r"a newer lumberroom wrote this store \(schema 99.*newer version"):
            SqliteStore.open(old_file, read_only=read_only)


def test_an_ordinary_tool_can_read_the_readings(old_file) -> None:
    """The view gives names, the instant in UTC to the millisecond, and the value."""
    with contextlib.closing(sqlite3.connect(old_file)) as connection:
        row = connection.execute("SELECT * FROM reading_by_name ORDER BY at_utc, sensor, quantity LIMIT 1").fetchone()
    assert row == ("attic/1", "rh_percent", "2025-11-13T02:13:20.123Z", 55.5)


def test_a_program_without_our_sums_reads_and_does_not_write(old_file) -> None:
    """Rows carry sums that only lumberroom computes: another program sees all of it, and its writing is refused."""
    with contextlib.closing(sqlite3.connect(old_file)) as connection:
        assert connection.execute("SELECT count(*) FROM series").fetchone() == (1,)
        with pytest.raises(sqlite3.OperationalError, match="row_sum"):
            connection.execute("UPDATE series SET sensor = 'cellar'")
        know_sums(connection)
        connection.execute("UPDATE series SET sensor = 'cellar'")
