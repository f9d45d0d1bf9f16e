"""The schema: its version, the way forward, and files of every released version.

`files/version_N.sqlite3` was written by the edition that released schema N (an invented site) and is never made anew:
it stands for the files in the field.
"""

import contextlib
import math
import shutil
import sqlite3
from pathlib import Path

import pytest

from ingest.errors import StorageError
from ingest.site.incidents import NoticeKind, NoticeState
from ingest.site.places import Bounds
from ingest.site.series import SeriesKey
from ingest.store.file import schema
from ingest.store.file.integrity import check_integrity
from ingest.store.file.schema import MIGRATIONS, Migration
from ingest.store.sqlite_store import SqliteStore

FILES = Path(__file__).parent / "files"
KEY = SeriesKey("attic/1", "temperature_c")


@pytest.fixture
def old_file(path):
    """A store that the first released edition wrote."""
    shutil.copy(FILES / "version_1.sqlite3", path)
    return path


def test_steps_are_numbered_without_a_hole() -> None:
    """Version n is reached by step n."""
    assert [step.version for step in MIGRATIONS] == list(range(1, schema.SCHEMA_VERSION + 1))


def test_there_is_a_file_of_every_version() -> None:
    """Whoever adds a step adds a file of the version before it, so that the way from there is tested."""
    assert {file.stem for file in FILES.glob("version_*.sqlite3")} >= {f"version_{step.version}" for step in MIGRATIONS}


def test_a_file_of_version_1_says_what_it_said(old_file) -> None:
    """Readings to the bit, the amendment, site, incident, notice and judgement of the first released edition."""
    with SqliteStore.open(old_file) as store:
        read = store.read
        series = read.read(KEY, 0, 2**53)
        assert series.at_ms.tolist() == [1763000000123 + 60_000 * n for n in range(5)]
        assert series.value.tolist() == [19.95, 20.1 + 0.1, 20.1 + 0.2, 20.1 + 0.1 * 3, 20.1 + 0.4]
        yard = read.latest([SeriesKey("yard", "temperature_c")])[SeriesKey("yard", "temperature_c")]
        assert (yard.at_ms, math.copysign(1.0, yard.value)) == (1763000000777, -1.0)
        site = read.site()
        assert site is not None
        assert site.name == "Mill Lane 4"
        assert site.rooms[0].window is not None
        assert site.rooms[0].window.rh_percent == Bounds(30.0, 50.0)
        (incident,) = read.incidents(only_open=True)
        assert (incident.id, incident.worst_value) == ("i-1", 55.5)
        (notice,) = read.notices(state=NoticeState.WAITING)
        assert (notice.kind, notice.facts) == (NoticeKind.OPENED, {"room": "Hall"})
        assert read.judgement("hall") == {"state": "out", "since_ms": 1763000060123}
        assert read.heard() == {"attic/1": 1763000400000, "yard": 1763000300000}
    assert check_integrity(old_file) == []


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


def note_colour(connection: sqlite3.Connection, tell: object) -> None:
    """An invented next step."""
    connection.execute("ALTER TABLE series ADD COLUMN colour TEXT")


def break_down(connection: sqlite3.Connection, tell: object) -> None:
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


def test_an_older_schema_is_not_read_before_it_was_brought_up_to_date(old_file) -> None:
    """Opened for reading only, a file with steps pending says what to do, and is not changed."""
    with contextlib.closing(sqlite3.connect(old_file)) as connection:
        connection.execute("PRAGMA user_version = 0")
    with pytest.raises(StorageError, match="Start the daemon on it once"):
        SqliteStore.open(old_file, read_only=True)


def test_an_ordinary_tool_can_read_the_readings(old_file) -> None:
    """The view gives names, the instant in UTC to the millisecond, and the value."""
    with contextlib.closing(sqlite3.connect(old_file)) as connection:
        row = connection.execute("SELECT * FROM reading_by_name ORDER BY at_utc, sensor, quantity LIMIT 1").fetchone()
    assert row == ("attic/1", "rh_percent", "2025-11-13T02:13:20.123Z", 55.5)
