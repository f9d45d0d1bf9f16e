"""The integrity check finds damage and names it."""

import contextlib
import sqlite3

import pytest

from ingest.site.incidents import Incident, IncidentKind
from ingest.store.integrity import check_integrity
from ingest.store.sqlite_store import SqliteStore


@pytest.fixture
def sound(path, batch):
    """A sound, closed store with a thousand readings and an incident."""
    with SqliteStore.open(path) as store, store.transaction() as work:
        work.append(batch(range(1000), [20.0] * 1000), heard_ms=1)
        work.put_incident(Incident("i", "hall", "attic", IncidentKind.SILENT, 1, 2, ""), at_ms=50, by="watch")
    return path


@pytest.mark.parametrize(
    ("edit", "fault"),
    [
        ("DELETE FROM reading WHERE at_ms = 5", "temperature_c of attic: 1000 readings are noted, 999 are there"),
        ("UPDATE series SET last_value = 1.0", "noted extent or newest value is not that of the readings"),
        ("UPDATE series SET first_ms = -1", "noted extent or newest value is not that of the readings"),
        ("INSERT INTO reading VALUES (77, 1, 2.0, 0)", "table reading: a row belongs to no row of series"),
        ("DELETE FROM incident", "incident i: it stands in the record but is not shown"),
    ],
)
def test_what_does_not_belong_together_is_named(sound, edit, fault) -> None:
    """Sums that are not those of the rows, strays and lost incidents each make a sentence."""
    assert check_integrity(sound) == []
    with contextlib.closing(sqlite3.connect(sound, isolation_level=None)) as connection:
        connection.execute(edit)
    assert any(fault in sentence for sentence in check_integrity(sound))


def test_an_overwritten_page_is_found(sound) -> None:
    """A page of the file full of rubbish makes sentences and no traceback."""
    with contextlib.closing(sqlite3.connect(sound)) as connection:
        size = connection.execute("PRAGMA page_size").fetchone()[0]
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
    with sound.open("r+b") as file:
        file.seek(size * (pages - 2))
        file.write(b"\xa5" * size)
    assert check_integrity(sound) != []


def test_a_torn_file_is_found(sound) -> None:
    """A file cut off in the middle makes a sentence and no traceback."""
    content = sound.read_bytes()
    sound.write_bytes(content[: len(content) // 2])
    assert check_integrity(sound) != []


def test_a_store_that_is_not_there(tmp_path) -> None:
    """No file is a sentence too."""
    assert check_integrity(tmp_path / "a.sqlite3") == [
        f"{tmp_path / 'a.sqlite3'}: there is no store here. Name a data folder that holds one"
    ]
