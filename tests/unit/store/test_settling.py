"""Around the readings: sealing in steps, the feed of changes, thinning, copies, reading from outside, migration."""

import itertools
import threading
import time
from datetime import UTC, date, datetime

import numpy as np
import pytest

from ingest.errors import InputError, SettingsError, StorageError
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store import open_for_reading
from ingest.store.days import day_edges_ms
from ingest.store.file.integrity import check_integrity
from ingest.store.file.keeper import rests
from ingest.store.series.retention import Rule
from ingest.store.series.staging import Staged
from ingest.store.series.tail import Tail
from ingest.store.sqlite_store import SqliteStore

MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR
KEYS = (SeriesKey("attic", "temperature_c"), SeriesKey("attic", "rh_percent"))


def air(first: int, count: int, *, pace: int = MINUTE, sensor: str = "attic") -> ReadingBatch:
    """Temperature and humidity at the same instants."""
    at_ms = first + np.arange(count, dtype=np.int64) * pace
    wave = np.sin(at_ms / 1e7)
    return ReadingBatch(
        tuple(SeriesKey(sensor, key.quantity) for key in KEYS),
        np.repeat(np.arange(2, dtype=np.int32), count),
        np.tile(at_ms, 2),
        np.round(np.concatenate([20 + wave, 45 - 5 * wave]), 2),
        np.zeros(2 * count, np.bool_),
    )


def store_air(store, *stretches, heard_ms: int = 1) -> None:
    """Store some of it, each stretch in a unit of its own."""
    for stretch in stretches:
        with store.transaction() as work:
            work.append(air(*stretch), heard_ms=heard_ms)


def test_settling_leaves_nothing_in_the_memory_of_readers(store) -> None:
    """What sealing and rolling up unpack they replace: only what readers ask for is kept unpacked."""
    unpacked = store._memory.unpacked
    for hour in range(5):
        store_air(store, (hour * HOUR, 60))
        store.settle()
        assert len(unpacked) == 0
    assert len(store.read.read(KEYS[0], 0, 5 * HOUR)) == 300
    assert len(unpacked) > 0


def test_a_chunk_grows_and_is_cut_when_the_pace_quickens(store, path) -> None:
    """An hourly sensor that is set to a reading a second: chunks of several widths, never overlapping, all there."""
    store_air(store, (0, 200), (200 * HOUR, 10))
    with store.transaction() as work:
        work.append(air(0, 300, pace=HOUR), heard_ms=1)
    store.settle()
    for hour in range(40):
        with store.transaction() as work:
            work.append(air(300 * HOUR + hour * HOUR, 3600, pace=1000), heard_ms=1)
        if hour % 7 == 0:
            store.settle()
    store.settle()
    assert check_integrity(path) == []
    with store.transaction() as work:
        spans = work.view.connection.execute("SELECT from_ms, to_ms FROM chunk ORDER BY from_ms").fetchall()
    assert all(one[1] <= other[0] for one, other in itertools.pairwise(spans))
    assert len({end - begin for begin, end in spans}) > 1
    assert len(store.read.read(KEYS[0], 300 * HOUR, 400 * HOUR)) == 40 * 3600


def test_a_step_that_cannot_be_written_loses_nothing(store, path) -> None:
    """A disk that runs full in the middle of a round: a sentence, and with room again all is sealed and there."""
    for number in range(30):
        with store.transaction() as work:
            work.append(air(0, 300, sensor=f"s{number:02d}"), heard_ms=1)
    assert store.settle_step() is True
    assert store.settle_step() is True
    pages = store._writer.execute("PRAGMA page_count").fetchone()[0]
    free = store._writer.execute("PRAGMA freelist_count").fetchone()[0]
    store._writer.execute(f"PRAGMA max_page_count = {pages}")
    refusals: list[str] = []
    for _ in range(20):
        try:
            store.settle_step()
        except StorageError as error:
            refusals.append(str(error))
    assert refusals or free
    assert all("the disk is full" in refusal for refusal in refusals)
    store._writer.execute("PRAGMA max_page_count = 1073741823")
    store.settle()
    assert [extent.count for extent in store.read.extents()] == [300] * 60
    assert all(len(store.read.read(extent.key, 0, DAY)) == 300 for extent in store.read.extents())
    assert check_integrity(path) == []


def test_what_changes_between_working_out_and_writing_is_not_lost(store, path, batch) -> None:
    """Late, corrected and imported readings that come while a step is worked out: the step is taken again."""
    store_air(store, (0, 2000))
    late = itertools.count(3_000_000)
    plan = store._settling.plan

    def plan_and_be_overtaken(view, pressure, *, patience=0.0):
        planned = plan(view, pressure, patience=patience)
        number = next(late)
        if number < 3_000_004:
            store_air(store, (DAY * (number - 2_999_990), 12_000))  # straight into chunks
        with store.transaction() as work:
            work.append(batch([number], [float(number)]), heard_ms=9)
        return planned

    store._settling.plan = plan_and_be_overtaken
    for _ in range(40):
        store.settle_step()
    store._settling.plan = plan
    store.settle()
    held = store.read.read(KEYS[0], 0, 2**53)
    came = next(late) - 3_000_000
    assert np.isin(np.arange(3_000_000, 3_000_000 + came), held.at_ms).all()
    assert store.read.extents()[1].count == len(held)
    assert check_integrity(path) == []


def test_after_settling_nothing_is_left_to_do(store) -> None:
    """Everything sealed, no batch, nothing stale; and one more step says so."""
    store_air(store, (0, 3000))
    assert store.settle_step() is True
    store.settle()
    assert store.settle_step() is False
    with store.transaction() as work:
        for table in ("batch", "stale"):
            assert work.view.connection.execute(f"SELECT count(*) FROM {table}").fetchone() == (0,)
        assert work.view.connection.execute("SELECT count(*) FROM chunk").fetchone() == (1,)


def test_the_keeper_works_while_others_store_and_stops_with_the_store(path) -> None:
    """A thread seals what four others store; nothing is lost, and closing ends it."""
    from ingest.store.series import settling

    before = settling.SEAL_AT
    settling.SEAL_AT = 500
    try:
        store = SqliteStore.open(path)
        keeper = store.keep_settled()

        def write(sensor: str) -> None:
            for number in range(40):
                with store.transaction() as work:
                    work.append(air(number * 10 * MINUTE, 10, sensor=sensor), heard_ms=number)

        threads = [threading.Thread(target=write, args=(f"s{n}",)) for n in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        end_s = time.monotonic() + 20
        while time.monotonic() < end_s and not store._writer.execute("SELECT count(*) FROM chunk").fetchone()[0]:
            time.sleep(0.02)
        assert [extent.count for extent in store.read.extents()] == [400] * 8
        store.close()
    finally:
        settling.SEAL_AT = before
    assert keeper.steps > 1
    assert keeper.trouble == ""
    assert not keeper._thread.is_alive()
    assert check_integrity(path) == []


def test_the_keeper_rests_less_the_more_waits() -> None:
    """Up to the usual amount it rests four times as long as it worked; with four times as much as long, never less."""
    assert [rests(behind) for behind in (0.0, 0.5, 1.0, 2.0, 4.0, 80.0)] == [4.0, 4.0, 4.0, 2.0, 1.0, 1.0]


def test_what_waits_is_known_until_it_is_sealed(store) -> None:
    """The keeper asks how much is staged: nothing at first, then all of it, and nothing once it is sealed."""
    assert store._memory.staged() == 0
    store_air(store, (0, 50), (HOUR, 50))
    store.read.extents()
    assert store._memory.staged() == 200
    store.settle()
    store.read.extents()
    assert store._memory.staged() == 0


def test_what_was_staged_last_is_found_whatever_lies_before_it() -> None:
    """Batches asked for by their numbers are all there, once each, whether folded into order or as they came."""
    tail, random = Tail(0), np.random.default_rng(1)
    for number in range(1, 3001):
        series = np.sort(random.integers(0, 9, 4))
        at_ms = number * 1000 + np.arange(4)
        tail.add(Staged(np.full(4, number), series, at_ms, random.normal(size=4), np.zeros(4, np.int64)), number)
        if number % 700 == 0:
            tail.of_series(3, 0, number)  # folds what has come where it is much
        after = int(random.integers(0, number))
        found = tail.all(after, number)
        assert np.sort(found.number).tolist() == np.repeat(np.arange(after + 1, number + 1), 4).tolist()
    tail.forget(2500)
    assert set(tail.all(0, 2600).number.tolist()) == set(range(2501, 2601))
    assert tail.count() == 2000


def follow(store, after: int, limit: int = 100) -> list[tuple[SeriesKey, int, float]]:
    """Read along to the end, and give what came, in order."""
    seen = []
    while True:
        found = store.read.changes(after, limit)
        assert not found.lost
        if found.through == after:
            return seen
        after = found.through
        rows = zip(found.key_index.tolist(), found.at_ms.tolist(), found.value.tolist(), strict=True)
        seen += [(found.keys[index], at, value) for index, at, value in rows]


def test_the_feed_gives_every_change_in_the_order_of_commit(store, batch) -> None:
    """New, late, corrected and imported readings, once each, sealed or not; repeated ones are no change."""
    with store.transaction() as work:
        work.follow_changes("copy", through=0)
        work.append(batch([10, 20], [1.0, 2.0]), heard_ms=1)
    with store.transaction() as work:
        work.append(batch([15], [1.5]), heard_ms=2)  # late
    store.settle()
    with store.transaction() as work:
        work.append(batch([10, 20], [1.0, 2.5]), heard_ms=3)  # one repeated, one corrected
    key = SeriesKey("attic", "temperature_c")
    assert follow(store, 0) == [(key, 10, 1.0), (key, 20, 2.0), (key, 15, 1.5), (key, 20, 2.5)]
    with store.transaction() as work:
        work.append(air(DAY, 15_000), heard_ms=4)  # straight into chunks
    store.settle()
    newest = store.read.newest_change()
    assert len(follow(store, 3)) == 30_000
    with store.transaction() as work:
        work.follow_changes("copy", through=newest)
    store.settle()
    assert store.read.changes(newest, 10).lost is False
    assert store.read.changes(1, 10).lost is True  # gone, now that nobody wants it


def test_without_anybody_reading_along_nothing_is_kept_and_a_rule_trims(store) -> None:
    """Batches go when sealed; for somebody registered they stay until told or trimmed."""
    store_air(store, (0, 10))
    store.settle()
    assert store.read.changes(0, 10).lost is True
    with store.transaction() as work:
        work.follow_changes("slow", through=store.read.newest_change())
    for number in range(1, 6):
        store_air(store, (number * HOUR, 10), heard_ms=number * 1000)
    store.settle()
    assert len(store.read.changes(1, 10**6).at_ms) == 100
    with store.transaction() as work:
        work.trim_changes(before_ms=3000)
    store.settle()
    assert store.read.changes(1, 10**6).lost is True
    assert len(store.read.changes(3, 10**6).at_ms) == 60
    with store.transaction() as work:
        work.forget_changes("slow")
    store.settle()
    assert len(store.read.changes(6, 10**6).at_ms) == 0


def test_thinning_keeps_the_statistics_and_lets_the_readings_go(store, path) -> None:
    """After a rule of 30 days the old readings are gone; counts, extremes, means, coverage per day are as before."""
    store_air(store, (0, 90 * 1440))
    store.settle()
    edges = np.arange(0, 91 * DAY, DAY)
    keys = [*KEYS, SeriesKey("attic", "emc_percent")]
    before = [store.read.buckets(key, edges) for key in keys]
    while store.thin(Rule(keep_days=30), now_ms=90 * DAY):
        pass
    assert len(store.read.read(KEYS[0], 0, 55 * DAY)) == 0
    assert len(store.read.read(KEYS[0], 60 * DAY, 90 * DAY)) == 30 * 1440
    for key, true in zip(keys, before, strict=True):
        got = store.read.buckets(key, edges)
        np.testing.assert_array_equal(got.count, true.count)
        np.testing.assert_array_equal(got.minimum, true.minimum)
        np.testing.assert_array_equal(got.maximum, true.maximum)
        np.testing.assert_allclose(got.mean, true.mean, rtol=1e-12)
        np.testing.assert_allclose(got.coverage, true.coverage, rtol=1e-12)
    # Edges inside cells: a cell belongs to the bucket in which it begins, and nothing is lost.
    assert store.read.buckets(KEYS[0], edges + 1000).count.sum() >= 89 * 1440
    store.settle()
    assert check_integrity(path) == []
    while store.give_back_room():
        pass
    assert store.read.extents()[0].count == 90 * 1440  # what was read, not what is kept


def test_a_rule_that_keeps_next_to_nothing_is_refused() -> None:
    """Less than thirty days would thin what is still being judged."""
    with pytest.raises(SettingsError, match="at least 30 days"):
        Rule(keep_days=7)


def test_a_backup_is_one_state_while_everything_goes_on(store, path, tmp_path) -> None:
    """Copied in tiny steps while a thread stores: the copy is sound, whole up to some unit, and can be gone on from."""
    store_air(store, (0, 5000))
    store.settle()
    done = threading.Event()

    def write() -> None:
        number = 0
        while not done.is_set():
            store_air(store, (10 * DAY + number * HOUR, 60))
            number += 1

    writer = threading.Thread(target=write)
    writer.start()
    target = tmp_path / "copy.sqlite3"
    try:
        store.backup(target, pages_at_once=3)
    finally:
        done.set()
        writer.join()
    assert check_integrity(target) == []
    with SqliteStore.open(target) as copy:
        count = len(copy.read.read(KEYS[0], 0, 2**53))
        assert count >= 5000
        assert (count - 5000) % 60 == 0
        store_air(copy, (500 * DAY, 10))
    with pytest.raises(StorageError, match="there is a file already"):
        store.backup(target)
    with pytest.raises(StorageError, match="this folder does not exist"):
        store.backup(tmp_path / "nowhere" / "copy.sqlite3")
    assert not list(tmp_path.glob("*.unfinished"))


def test_room_is_given_back_in_steps(store, path) -> None:
    """After thinning the file becomes shorter, a few pages at a time."""
    store_air(store, (0, 60 * 1440))
    store.settle()
    while store.thin(Rule(keep_days=30), now_ms=90 * DAY):
        pass
    store.tidy()
    before = path.stat().st_size
    steps = 0
    spare = round(store.spare_share() * before / 2048)
    assert spare > 10
    while store.give_back_room(pages=5):
        steps += 1
    store.tidy()
    assert steps == -(-spare // 5) - 1  # the last one says that there is no more
    assert path.stat().st_size < before
    assert store.spare_share() == 0


def test_reading_from_outside(store, path) -> None:
    """Arrays, buckets by day, newest, gaps, tables and frames, by file or folder, by text, instant or datetime."""
    store_air(store, (0, 3 * 1440))
    with open_for_reading(path.parent) as readings:
        assert [extent.key.quantity for extent in readings.series()] == ["rh_percent", "temperature_c"]
        at, value = readings.arrays("attic", "temperature_c", "1970-01-02", datetime(1970, 1, 3, tzinfo=UTC))
        assert at[0] == np.datetime64("1970-01-02T00:00:00.000")
        assert (len(value), at.dtype, value.dtype) == (1440, np.dtype("datetime64[ms]"), np.float64)
        days = readings.buckets("attic", "emc_percent", readings.days("1970-01-01", 3, "UTC"))
        assert days.count.tolist() == [1440] * 3
        newest = readings.latest("attic", "rh_percent")
        assert newest is not None
        assert newest.at_ms == (3 * 1440 - 1) * MINUTE
        assert readings.gaps("attic", "rh_percent", 0, "1970-01-02T00:00:00+00:00") == []
        table = readings.table(["attic"], ["temperature_c", "dew_point_c"], 0, "1970-01-02")
        assert table.num_rows == 2 * 1440
        assert table.column_names == ["at", "sensor", "quantity", "value"]
        assert set(table["quantity"].to_pylist()) == {"temperature_c", "dew_point_c"}
        frame = readings.frame(["attic"], ["rh_percent"], 0, "1970-01-02")
        assert frame["value"].to_numpy().tolist() == air(0, 1440).value[1440:].tolist()
        assert readings.damage == []
        with pytest.raises(InputError, match="is no instant"):
            readings.arrays("attic", "rh_percent", "yesterday", 5)


def test_days_follow_the_clocks_of_the_place() -> None:
    """In Berlin the clocks changed on 2025-03-30 and 2025-10-26 (tz database): 23 and 25 hours."""
    assert np.diff(day_edges_ms(date(2025, 3, 29), 3, "Europe/Berlin")).tolist() == [24 * HOUR, 23 * HOUR, 24 * HOUR]
    assert np.diff(day_edges_ms(date(2025, 10, 25), 3, "Europe/Berlin")).tolist() == [24 * HOUR, 25 * HOUR, 24 * HOUR]


def test_what_is_known_in_memory_after_each_step_is_what_the_file_says(store, path) -> None:
    """Extents, counts and newest values beside a reader that opens the file anew, with late and amended readings."""
    for sensor in range(30):
        for first in (1000 * MINUTE, 0, 990 * MINUTE):
            with store.transaction() as work:
                work.append(air(first, 20, sensor=f"s{sensor:02d}"), heard_ms=1)
    more, steps = True, 0
    while more:
        more = store.settle_step()
        steps += 1
        with store.transaction() as work:
            work.append(air(2000 * MINUTE + steps * HOUR, 1 if steps < 9 else 0, sensor="s07"), heard_ms=1)
        with SqliteStore.open(path, read_only=True) as fresh:
            extents = fresh.read.extents()
            assert store.read.extents() == extents
            keys = [extent.key for extent in extents]
            assert store.read.latest(keys) == fresh.read.latest(keys)
    assert steps > 30
    assert check_integrity(path) == []


def test_quantities_that_begin_together_at_one_pace_and_end_apart_are_told_apart(store, batch) -> None:
    """A steady pace needs no bytes in a chunk, so that only the count tells the instants of the two apart (a sensor
    whose temperature fell out at the end): each comes back whole, whichever is asked for first."""
    at_ms = 1_760_000_000_000 + 600_000 * np.arange(3)
    for quantity, count in (("temperature_c", 2), ("rh_percent", 3)):
        with store.transaction() as work:
            work.append(batch(at_ms[:count], [20.5, 21.0, 21.5][:count], quantity=quantity), heard_ms=0)
    store.settle()
    for quantity, count in (("temperature_c", 2), ("rh_percent", 3), ("temperature_c", 2)):
        read = store.read.read(SeriesKey("attic", quantity), 0, 2**50)
        assert read.at_ms.tolist() == at_ms[:count].tolist()
        assert read.value.tolist() == [20.5, 21.0, 21.5][:count]
