"""The integrity check finds damage and names it; the doctor mends what can be mended; reading goes on meanwhile."""

import contextlib
import re
import shutil
import sqlite3
from collections.abc import Iterator

import numpy as np
import pytest

from ingest.errors import StorageError
from ingest.site.actor import WATCH
from ingest.site.incidents import Incident, IncidentKind
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.api import Appended
from ingest.store.file import doctor
from ingest.store.file.integrity import check_integrity
from ingest.store.file.sums import know_sums
from ingest.store.series.view import MOST_DAMAGE
from ingest.store.sqlite_store import SqliteStore

MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR
KEYS = (SeriesKey("attic", "temperature_c"), SeriesKey("attic", "rh_percent"))
EMC = SeriesKey("attic", "emc_percent")


@pytest.fixture
def staged(path, batch):
    """A closed store with a thousand readings that are staged and not sealed, and an incident."""
    with SqliteStore.open(path) as store, store.transaction() as work:
        work.append(batch(range(1000), [20.0] * 1000), heard_ms=1)
        work.put_incident(Incident("i", "hall", "attic", IncidentKind.OFFLINE, 1, 2, ""), at_ms=50, by=WATCH)
    return path


def air(first: int, count: int) -> ReadingBatch:
    """Temperature and humidity of the attic, a reading a minute."""
    at_ms = first + np.arange(count, dtype=np.int64) * MINUTE
    wave = np.sin(at_ms / 1e7)
    return ReadingBatch(
        KEYS,
        np.repeat(np.arange(2, dtype=np.int32), count),
        np.tile(at_ms, 2),
        np.round(np.concatenate([20 + wave, 45 - 5 * wave]), 2),
        np.zeros(2 * count, np.bool_),
    )


@pytest.fixture
def sealed(path):
    """A closed store with twenty days of the attic, all sealed and rolled up."""
    with SqliteStore.open(path) as store:
        with store.transaction() as work:
            work.append(air(0, 20 * 1440), heard_ms=1)
        store.settle()
    return path


@contextlib.contextmanager
def opened(path) -> Iterator[sqlite3.Connection]:
    """The file in the hands of somebody who knows how its sums are made."""
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
        know_sums(connection)
        yield connection


@pytest.mark.parametrize(
    ("edit", "fault"),
    [
        ("DELETE FROM batch", "table amendment|"),
        ("UPDATE batch SET body = 'no'", "batch 1: it cannot be read"),
        ("UPDATE batch SET body = '[77,1,2.0,0]'", "batch 1: it names series that are not there"),
        ("INSERT INTO amendment VALUES (1, 77, 1, 2.0, 3.0, 0)", "table amendment: a row belongs to no row of series"),
        ("DELETE FROM incident", "incident i: it stands in the record but is not shown"),
    ],
)
def test_what_does_not_belong_together_is_named(staged, edit, fault) -> None:
    """Batches that cannot be read, strays and lost incidents each make a sentence."""
    assert check_integrity(staged) == []
    with opened(staged) as connection:
        connection.execute(edit)
    if fault.endswith("|"):
        # What is staged and gone leaves no trace in itself: the series simply holds nothing.
        with SqliteStore.open(staged, read_only=True) as store:
            assert store.read.extents() == []
        return
    assert any(fault in sentence for sentence in check_integrity(staged))


@pytest.mark.parametrize(
    ("edit", "fault"),
    [
        ("DELETE FROM chunk WHERE from_ms = 345600000", "28800 readings are noted, 23040 are there"),
        ("UPDATE series SET count = 7 WHERE id = 1", "temperature_c of attic: 7 readings are noted, 28800 are there"),
        ("UPDATE series SET last_value = 1.0", "noted extent or newest value is not that of the readings"),
        ("UPDATE series SET first_ms = -1", "noted extent or newest value is not that of the readings"),
        ("DELETE FROM rollup", "61 cells of each derived quantity are missing or wrong"),
        ("DELETE FROM rollup WHERE quantity LIKE 'v%'", "of each of vapour_pressure_kpa and vpd_kpa are missing"),
        ("DELETE FROM state", "table state: its row is missing"),
        ("DROP INDEX amendment_at", "index amendment_at: it is missing"),
        ("DROP TRIGGER record_keeps", "trigger record_keeps: it is missing"),
        ("DROP VIEW reading_by_name", "view reading_by_name: it is missing"),
        ("DROP TABLE chunk", "table chunk: it is missing"),
        ("DROP TABLE rollup", "table rollup: it is missing"),
        ("DELETE FROM rollup WHERE quantity = 'rh_percent'", "481 cells of rh_percent are missing or wrong"),
        ("DELETE FROM rollup WHERE quantity = 'emc_percent'", "61 cells of emc_percent are missing or wrong"),
        ("UPDATE rollup SET body = x'00' WHERE quantity = 'wet_bulb_c'", "cells of wet_bulb_c are missing or wrong"),
        ("UPDATE chunk SET to_ms = to_ms + 3600000 WHERE from_ms = 0", "noted under another stretch than it says"),
    ],
)
def test_damage_to_what_is_sealed_is_named_and_mended(sealed, edit, fault) -> None:
    """Each makes a sentence; after mending the file is sound, and rollups agree with what readings are left."""
    assert check_integrity(sealed) == []
    with opened(sealed) as connection:
        connection.execute(edit)
    found = doctor.mend(sealed)
    assert any(fault in sentence for sentence in found.faults), found.faults
    assert found.mended
    assert found.left == ()
    assert doctor.examine(sealed).faults == ()


def test_readings_that_are_gone_keep_their_statistics_and_are_told_as_lost(sealed) -> None:
    """A chunk's row deleted: so many readings are lost, their buckets answer as before, and a backup brings them."""
    days = np.arange(0, 21 * DAY, DAY)
    with SqliteStore.open(sealed) as store:
        before, emc = store.read.buckets(KEYS[1], days), store.read.buckets(EMC, days)
    with opened(sealed) as connection:
        connection.execute("DELETE FROM chunk WHERE from_ms = ?", (4 * DAY,))
    found = doctor.mend(sealed)
    assert found.left == ()
    assert found.has_lost
    assert "rh_percent of attic: counted again; 5760 readings are lost" in found.mended
    assert any(
        "1970-01-05T00:00Z to 1970-01-09T00:00Z: readings are lost; their statistics" in one for one in found.mended
    )
    with SqliteStore.open(sealed) as store:
        for key, was in ((KEYS[1], before), (EMC, emc)):
            again = store.read.buckets(key, days)
            np.testing.assert_array_equal(again.count, was.count)
            np.testing.assert_allclose(again.mean, was.mean, rtol=1e-12)
        with store.transaction() as work:
            assert work.append(air(0, 20 * 1440), heard_ms=2).stored == 2 * 4 * 1440
        store.settle()
        assert len(store.read.read(KEYS[1], 0, 20 * DAY)) == 20 * 1440
    assert check_integrity(sealed) == []


def test_a_staged_batch_that_cannot_be_read_keeps_nobody_from_the_others(staged) -> None:
    """Readers leave it out, the writer sets it aside and goes on; its number is not used again."""
    with opened(staged) as connection:
        connection.execute("INSERT INTO batch (number, heard_ms, body) VALUES (2, 1, '[1,2')")
        connection.execute("INSERT INTO batch (number, heard_ms, body) VALUES (3, 1, '[77,1,2.0,0]')")
        connection.execute("DELETE FROM batch WHERE number = 3")
    with SqliteStore.open(staged, read_only=True) as store:
        assert store.read.extents()[0].count == 1000
    with SqliteStore.open(staged) as store:
        store.settle()
        assert store.read.extents()[0].count == 1000
        with store.transaction() as work:
            work.append(air(5 * DAY, 10), heard_ms=2)
        assert store.read.newest_change() == 3
    with opened(staged) as connection:
        assert connection.execute("SELECT what, body FROM damaged").fetchall() == [("batch 2", b"[1,2")]
    assert check_integrity(staged) == []


def test_a_file_with_a_broken_mark_at_its_head_is_read_all_the_same(sealed) -> None:
    """The first bytes say what the file is; with those alone broken everything is carried over."""
    content = bytearray(sealed.read_bytes())
    content[3:5] = b"XX"
    sealed.write_bytes(content)
    found = doctor.mend(sealed)
    assert found.left == ()
    assert not found.has_lost
    with SqliteStore.open(sealed) as store:
        assert len(store.read.read(KEYS[0], 0, 20 * DAY)) == 20 * 1440


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "there is no store here"),
        (b"", "the file is empty"),
        (b"\xa5" * 100_000, "nothing can be read of the store's file"),
        (b"SQLite format 3\0", "nothing can be read of the store's file"),
    ],
)
def test_what_cannot_be_mended_is_a_sentence_and_stays_as_it_is(tmp_path, content, said) -> None:
    """No file, an empty one, rubbish, a head without a body: the doctor says so and touches nothing."""
    path = tmp_path / "a.sqlite3"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(StorageError, match=said):
        doctor.mend(path)
    assert (path.read_bytes() if path.exists() else None) == content
    with pytest.raises(StorageError, match="this is a folder"):
        doctor.mend(tmp_path)


def flip_a_byte(path, at: int) -> None:
    """Change one byte of the chunk of days four to eight."""
    with opened(path) as connection:
        (body,) = connection.execute("SELECT body FROM chunk WHERE from_ms = ?", (4 * DAY,)).fetchone()
        body = bytearray(body)
        body[at] ^= 0x10
        connection.execute("UPDATE chunk SET body = ? WHERE from_ms = ?", (bytes(body), 4 * DAY))


def test_a_flipped_byte_leaves_the_rest_readable_and_is_listed(sealed) -> None:
    """With one quantity's bytes damaged in one chunk, the other is whole and its own other days are; it is listed."""
    with SqliteStore.open(sealed) as store:
        before = [store.read.read(key, 0, 20 * DAY) for key in KEYS]
        days = store.read.buckets(KEYS[1], np.arange(0, 21 * DAY, DAY))
    flip_a_byte(sealed, -20)  # the last frame is that of the humidity
    with SqliteStore.open(sealed, read_only=True) as store:
        after = [store.read.read(key, 0, 20 * DAY) for key in KEYS]
        np.testing.assert_array_equal(after[0].value, before[0].value)
        lost = (before[1].at_ms >= 4 * DAY) & (before[1].at_ms < 8 * DAY)
        np.testing.assert_array_equal(after[1].value, before[1].value[~lost])
        assert store.damage == [
            "rh_percent of attic, 1970-01-05T00:00Z to 1970-01-09T00:00Z: the checksum of its values is wrong"
        ]
    found = doctor.mend(sealed)
    assert found.left == ()
    assert any("1 of its series are kept" in sentence for sentence in found.mended)
    with SqliteStore.open(sealed) as store:
        # The rollups know what the readings no longer say.
        again = store.read.buckets(KEYS[1], np.arange(0, 21 * DAY, DAY))
        np.testing.assert_array_equal(again.count, days.count)
        np.testing.assert_allclose(again.mean, days.mean, rtol=1e-12)
        # The sensor sends the days again: everything is there again.
        with store.transaction() as work:
            assert work.append(air(4 * DAY, 4 * 1440), heard_ms=2) == Appended(4 * 1440, 4 * 1440, 0)
        store.settle()
        np.testing.assert_array_equal(store.read.read(KEYS[1], 0, 20 * DAY).value, before[1].value)
    assert check_integrity(sealed) == []


@pytest.mark.parametrize("at", [0, 3, 20, 40, 60, 100, 500, -1])
def test_any_flipped_byte_of_a_chunk_is_found(sealed, at) -> None:
    """Version, directory, frames, checksums: wherever the byte lies, the chunk is named and the store goes on."""
    flip_a_byte(sealed, at)
    faults = check_integrity(sealed)
    assert any(re.match(r"readings of attic, 1970-01-05T00:00Z to 1970-01-09", sentence) for sentence in faults)
    with SqliteStore.open(sealed) as store:
        assert len(store.read.read(KEYS[0], 0, 20 * DAY)) >= 16 * 1440
        with store.transaction() as work:  # merging into the damaged chunk sets it aside
            assert work.append(air(5 * DAY, 10), heard_ms=2).amended == 0
        store.settle()
    assert doctor.mend(sealed).left == ()


def test_an_overwritten_page_is_found(staged) -> None:
    """A page of the file full of rubbish makes sentences and no traceback."""
    with opened(staged) as connection:
        size = connection.execute("PRAGMA page_size").fetchone()[0]
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
    with staged.open("r+b") as file:
        file.seek(size * (pages - 2))
        file.write(b"\xa5" * size)
    assert check_integrity(staged) != []


def test_a_torn_file_is_found_and_what_can_be_read_is_carried_over(sealed) -> None:
    """A file cut off makes a sentence; mended, it is sound, holds part of the readings, and the torn one is kept."""
    with SqliteStore.open(sealed) as store:  # more of it: the schema is most of so small a file
        with store.transaction() as work:
            work.append(air(20 * DAY, 180 * 1440), heard_ms=2)
        store.settle()
    content = sealed.read_bytes()
    sealed.write_bytes(content[: len(content) // 2])
    assert check_integrity(sealed) != []
    found = doctor.mend(sealed)
    assert any("rebuilt from what could be read" in sentence for sentence in found.mended)
    assert found.left == ()
    assert sealed.with_name(sealed.name + ".broken").exists()
    with SqliteStore.open(sealed) as store:
        held = store.read.read(KEYS[0], 0, 200 * DAY)
        assert 0 < len(held) < 200 * 1440
        np.testing.assert_array_equal(held.value, air(0, 200 * 1440).value[held.at_ms // MINUTE])


def test_a_file_of_which_nothing_can_be_read(tmp_path) -> None:
    """The first pages gone: a sentence that sends for the backup, for looking and for mending."""
    path = tmp_path / "a.sqlite3"
    with SqliteStore.open(path):
        pass
    shutil.copy(path, tmp_path / "b.sqlite3")
    path.write_bytes(b"\0" * 8192)
    assert any("not a lumberroom store" in sentence for sentence in check_integrity(path))


def test_a_store_that_is_not_there(tmp_path) -> None:
    """No file is a sentence too."""
    assert check_integrity(tmp_path / "a.sqlite3") == [
        f"{tmp_path / 'a.sqlite3'}: there is no store here. Name a data folder that holds one"
    ]


@pytest.mark.parametrize(
    ("edit", "fault"),
    [
        ("INSERT OR REPLACE INTO judgement VALUES ('attic', '{')", "what the watch remembers of room attic"),
        ("INSERT INTO forwarding VALUES ('central', 'x')", "what is kept of central"),
        (
            "INSERT INTO notice VALUES (9, 'i', 'opened', 'mail', 'a@example.org', 'no', 0, 0, 'waiting', 0, '', NULL)",
            "notice 9",
        ),
    ],
)
def test_what_other_parts_kept_and_cannot_be_read_is_named_and_set_aside(sealed, edit, fault) -> None:
    """Each makes a sentence; mended, the row is set aside with its bytes and the file is sound."""
    with opened(sealed) as connection:
        connection.execute(edit)
    found = doctor.mend(sealed)
    assert found.faults == (f"{fault}: it cannot be read",)
    assert found.mended == (f"{fault}: set aside, it begins anew",)
    assert found.left == ()
    with opened(sealed) as connection:
        assert connection.execute("SELECT count(*) FROM damaged").fetchone() == (1,)


def test_very_much_damage_fills_no_memory(store) -> None:
    """Of five thousand sentences about damage the first thousand are kept for the pages."""
    for number in range(5000):
        store._memory.note_damage(f"chunk {number}: its checksum is not that of its bytes")
    assert len(store.damage) == MOST_DAMAGE
    assert store.damage[0].startswith("chunk 0:")
