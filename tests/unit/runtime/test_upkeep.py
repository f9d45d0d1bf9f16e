"""Nightly upkeep: the store's log is folded in, a damaged file is found and said."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from adapters.contract import Reading
from ingest.clock import DrivenClock
from ingest.errors import SettingsError
from ingest.runtime.upkeep import Upkeep
from ingest.settings.reading import parse
from ingest.site.series import ReadingBatch
from ingest.store.file.integrity import check_integrity
from ingest.store.sqlite_store import SqliteStore


async def test_tidying_folds_the_log_into_the_file(store: SqliteStore, reading: Callable[..., Reading]) -> None:
    """After tidying, what was stored stands in the file itself and not only in the log beside it."""
    with store.transaction() as work:
        work.append(ReadingBatch.of(reading(at_ms=1_790_000_000_000 + n) for n in range(2000)), heard_ms=1)
    before = store.path.stat().st_size
    await Upkeep(store, "UTC").tidy()
    assert store.path.stat().st_size > before + 2000 * 8


async def test_the_night_shortens_a_file_that_holds_little_of_its_length(
    store: SqliteStore, reading: Callable[..., Reading]
) -> None:
    """After a large import is sealed most of the file is empty pages: they are given back, and readings stay."""
    for begin in range(0, 60_000, 5000):
        with store.transaction() as work:
            batch = ReadingBatch.of(
                reading(40.0 + n % 7, at_ms=1_790_000_000_000 + n * 60_000) for n in range(begin, begin + 5000)
            )
            work.append(batch, heard_ms=1)
    store.settle()
    store.tidy()
    before = store.path.stat().st_size
    assert store.spare_share() > 0.5
    await Upkeep(store, "UTC").tidy()
    store.tidy()
    assert store.spare_share() < 0.05
    assert store.path.stat().st_size < before / 2
    assert store.read.extents()[0].count == 60_000
    assert check_integrity(store.path) == []


async def test_a_sound_store_is_found_sound_and_a_damaged_one_is_not(
    store: SqliteStore, reading: Callable[..., Reading]
) -> None:
    """The check says nothing of a sound file, and says what is wrong once bytes in its middle were overwritten."""
    upkeep = Upkeep(store, "UTC")
    with store.transaction() as work:
        work.append(ReadingBatch.of(reading(at_ms=1_790_000_000_000 + n) for n in range(5000)), heard_ms=1)
    await upkeep.tidy()
    store.settle()
    await upkeep.check()
    assert upkeep.faults == []
    store.close()
    with contextlib.closing(sqlite3.connect(store.path)) as connection, connection:
        ((body,),) = connection.execute("SELECT body FROM chunk")
        connection.execute("UPDATE chunk SET body = ?", (body[:-50] + b"\xff" * 50,))
    with SqliteStore.open(store.path) as again:
        upkeep = Upkeep(again, "UTC")
        await upkeep.check()
        assert any("readings of " in fault for fault in upkeep.faults)


DAY_MS = 86_400_000
NOW_MS = 1_790_000_000_000


def put_minutes(store: SqliteStore, reading: Callable[..., Reading], days_ago: float, count: int) -> None:
    """Store a reading a minute from so many days ago on."""
    begin = int(NOW_MS - days_ago * DAY_MS)
    batch = ReadingBatch.of(reading(40.0 + n % 7, at_ms=begin + n * 60_000) for n in range(count))
    with store.transaction() as work:
        work.append(batch, heard_ms=NOW_MS)


async def test_the_night_thins_by_the_rule_and_gives_room_back(
    store: SqliteStore, reading: Callable[..., Reading], clock: DrivenClock
) -> None:
    """By the calendar's own job what is older than the rule goes, what is younger stays, and the file is shorter."""
    for days_ago in (200, 150, 100):
        put_minutes(store, reading, days_ago, 40_000)
    put_minutes(store, reading, 10, 1000)
    upkeep = Upkeep(store, "UTC", clock=clock, keep_readings_days=60)
    await upkeep.settle()
    await upkeep.tidy()
    before = store.path.stat().st_size
    key = store.read.extents()[0].key
    await upkeep._calendar.run_now("store thinning")
    await upkeep.tidy()
    assert upkeep.thinned_chunks > 0
    assert store.path.stat().st_size < before
    assert len(store.read.read(key, 0, NOW_MS)) < 41_000
    assert len(store.read.read(key, NOW_MS - 30 * DAY_MS, NOW_MS)) == 1000
    assert store.read.extents()[0].count == 121_000
    figures = upkeep.as_figures()
    assert (figures["keep_readings_days"], figures["thinned_chunks"]) == (60, upkeep.thinned_chunks)
    assert check_integrity(store.path) == []


async def test_without_a_rule_nothing_is_ever_thinned(
    store: SqliteStore, reading: Callable[..., Reading], clock: DrivenClock
) -> None:
    """No job on the calendar, and the work itself does nothing."""
    put_minutes(store, reading, 2000, 1000)
    upkeep = Upkeep(store, "UTC", clock=clock)
    with pytest.raises(KeyError):
        await upkeep._calendar.run_now("store thinning")
    await upkeep.settle()
    await upkeep.thin()
    assert len(store.read.read(store.read.extents()[0].key, 0, NOW_MS)) == 1000


async def test_what_the_engine_has_not_got_stays(
    store: SqliteStore, reading: Callable[..., Reading], clock: DrivenClock
) -> None:
    """A forwarder that has not said yet how far it is keeps everything; once it says so, the rule holds."""
    put_minutes(store, reading, 200, 1000)
    wanted: list[int | None] = [-(2**53)]
    upkeep = Upkeep(store, "UTC", clock=clock, keep_readings_days=30, wanted_from_ms=lambda: wanted[0])
    await upkeep.settle()
    await upkeep.thin()
    assert upkeep.thinned_chunks == 0
    wanted[0] = None
    await upkeep.thin()
    assert upkeep.thinned_chunks == 1


async def test_what_came_too_late_is_told(
    store: SqliteStore, reading: Callable[..., Reading], clock: DrivenClock
) -> None:
    """A reading for a thinned hour is told by sensor and stretch."""
    put_minutes(store, reading, 200, 1000)
    put_minutes(store, reading, 1, 10)
    upkeep = Upkeep(store, "UTC", clock=clock, keep_readings_days=30)
    await upkeep.settle()
    await upkeep.thin()
    put_minutes(store, reading, 199.9, 2)
    assert upkeep.as_figures()["too_late"] == [
        "2 readings of hall-1 from 2026-03-05T16:37Z to 2026-03-05T16:38Z came after the readings around them had gone "
        "by keep_readings_days; they were not taken, as nobody can tell any more whether they were in the statistics "
        "already."
    ]


def test_the_rule_is_read_from_the_wiring_file_and_absurd_ones_are_told(tmp_path: Path) -> None:
    """Nothing said keeps for ever; a rule is taken and cautioned about; below 30 days and beyond a century: told."""
    site = '[site]\nname = "Lakeside"\ntime_zone = "Europe/Berlin"\n[data]\n'
    path = tmp_path / "lumberroom.toml"
    assert parse(site, path, {}).keep_readings_days is None
    wiring = parse(site + "keep_readings_days = 400", path, {})
    assert wiring.keep_readings_days == 400
    assert any("Readings older than 400 days are deleted each night" in caution for caution in wiring.cautions)
    for absurd in ("29", "0", "-5", "36526", "true", '"400"'):
        with pytest.raises(SettingsError, match="keep_readings_days"):
            parse(site + f"keep_readings_days = {absurd}", path, {})


def test_no_zone_doubles_or_leaves_out_the_time_of_nightly_work() -> None:
    """In every zone of the tz database, on each day on which its clocks change, 2026 to 2031: it comes once."""
    import datetime as dt
    import zoneinfo

    from ingest.runtime.periodic import NIGHTLY

    wrong = []
    for name in zoneinfo.available_timezones():
        zone = zoneinfo.ZoneInfo(name)
        day = dt.datetime(2026, 1, 1, tzinfo=zone)
        while day.year < 2032:
            following = day + dt.timedelta(days=1)
            if day.utcoffset() != following.utcoffset():
                at = day.replace(hour=NIGHTLY[0], minute=NIGHTLY[1])
                there = at.astimezone(dt.UTC).astimezone(zone)
                if at.utcoffset() != at.replace(fold=1).utcoffset() or there.replace(fold=0) != at:
                    wrong.append(f"{name} {at}")
            day = following
    assert wrong == []


async def test_nightly_work_goes_one_after_the_other() -> None:
    """Of one minute, in the order in which it was named; a step that is cut off lets the next one go."""
    import asyncio

    from ingest.runtime.periodic import Calendar

    calendar, done = Calendar("UTC"), []

    async def slow() -> None:
        done.append("slow begins")
        try:
            await asyncio.sleep(0.05)
        finally:
            done.append("slow ends")

    async def quick() -> None:
        done.append("quick")

    calendar.nightly("slow", slow, limit_s=0.02)
    calendar.nightly("quick", quick, limit_s=1.0)
    await asyncio.gather(calendar.run_now("slow"), calendar.run_now("quick"), return_exceptions=True)
    assert done == ["slow begins", "slow ends", "quick"]
