"""The one way in: what is wrong is refused and counted, what is acknowledged is durable, a full disk loses nothing."""

from __future__ import annotations

import asyncio
import math
import threading
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import structlog

from adapters.contract import Reading, Stamp, Why
from dashboards.services import News
from ingest.clock import DrivenClock, plainly_wrong
from ingest.errors import InputError, StorageError
from ingest.runtime import intake
from ingest.runtime.intake import Intake
from ingest.site.incidents import Incident
from ingest.site.places import AcclimationWindow, Bounds, Room, Sensor, Site
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.api import Appended, UnitOfWork
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.rounds import Watch, judge_readings
from ingest.watch.window import arrears

Make = Callable[..., Reading]
NOW_MS = 1_790_000_000_000
RH = SeriesKey("hall-1", "rh_percent")


def judge(work: UnitOfWork, site: Site, batch: ReadingBatch, now_ms: int) -> list[Incident]:
    """Judge with the real watch."""
    return judge_readings(work, site, batch, now_ms=now_ms)


async def until(so: Callable[[], bool]) -> None:
    """Wait until something is so, two seconds at most."""
    for _ in range(200):
        if so():
            return
        await asyncio.sleep(0.01)
    raise AssertionError("waited two seconds in vain")


class FullDisk:
    """A real store on a disk that can be made full (as with SQLite, nothing of a unit is stored then) or stuck."""

    def __init__(self, store: SqliteStore) -> None:
        self._store = store
        self.full = threading.Event()
        self.broken = threading.Event()
        self.stuck = threading.Lock()
        self.transactions = 0
        self.read = store.read
        self.close = store.close

    @contextmanager
    def transaction(self) -> Iterator[UnitOfWork]:
        """Open the real unit of work, or fail."""
        if self.full.is_set():
            raise StorageError("the disk is full, so nothing more can be stored", where="x", mend="Make room.")
        if self.broken.is_set():
            raise RuntimeError("a fault of ours")
        with self.stuck, self._store.transaction() as work:
            self.transactions += 1
            yield work


@pytest.fixture
def disk(store: SqliteStore) -> FullDisk:
    """A disk with room on it."""
    return FullDisk(store)


@pytest.fixture
def news() -> list[News]:
    """What was published."""
    return []


@pytest.fixture
async def door(disk: FullDisk, clock: DrivenClock, site: Site, news: list[News]) -> AsyncIterator[Intake]:
    """A running intake over a real store and the real watch."""
    made = Intake(disk, clock, lambda: site, judge, news.append)
    made.start()
    yield made
    await made.close()


WRONG = [
    ({"value": math.nan}, Why.NOT_FINITE),
    ({"value": math.inf}, Why.NOT_FINITE),
    ({"value": 100.1}, Why.OUT_OF_RANGE),
    ({"value": -0.1}, Why.OUT_OF_RANGE),
    ({"quantity": "mood"}, Why.UNKNOWN_QUANTITY),
    ({"quantity": "emc_percent"}, Why.UNKNOWN_QUANTITY),
    ({"sensor": "hall 1"}, Why.NAME),
    ({"sensor": "x" * 121}, Why.NAME),
    ({"sensor": ""}, Why.NAME),
    ({"sensor": "hall-1\n"}, Why.NAME),
    ({"at_ms": NOW_MS + 5 * 60_000 + 1}, Why.FUTURE),
    ({"at_ms": 946_684_799_999}, Why.TOO_OLD),
    ({"at_ms": 0}, Why.TOO_OLD),
]


@pytest.mark.parametrize(("change", "reason"), WRONG)
async def test_what_cannot_be_true_is_refused_and_counted(
    door: Intake, store: SqliteStore, reading: Make, change: dict[str, float], reason: str
) -> None:
    """A wrong reading comes back with its reason, is counted for its source, and costs the good one nothing."""
    submitted = await door.submit([reading(**change), reading(44.0)], "serial")
    assert [rejection.reason for rejection in submitted.rejections] == [reason]
    assert submitted.appended == Appended(1, 0, 0)
    assert door.rejected_of("serial") == {reason: 1}
    assert store.read.read(RH, 0, NOW_MS * 2).value.tolist() == [44.0]


@pytest.mark.parametrize("at_ms", [NOW_MS + 5 * 60_000, 946_684_800_000])
async def test_the_ends_of_the_possible_instants_are_taken(door: Intake, reading: Make, at_ms: int) -> None:
    """Five minutes ahead of our clock, and the first instant of 2000, are still stored."""
    assert (await door.submit([reading(at_ms=at_ms)], "serial")).appended.stored == 1


@pytest.mark.parametrize("wrong_ms", [3_600_000, 2_208_988_800_000])  # 1970, 2040
async def test_a_clock_that_is_plainly_wrong_dates_nothing(
    store: SqliteStore, site: Site, reading: Make, wrong_ms: int
) -> None:
    """What would be dated by it is refused, with that as the reason: who sends keeps it, and the past stays clean."""
    there = Intake(store, DrivenClock(wrong_ms), lambda: site, lambda *_: [], lambda _: None)
    there.start()
    arrived = reading(at_ms=wrong_ms)._replace(stamp=Stamp.ARRIVAL)
    submitted = await there.submit([arrived], "serial")
    assert [one.reason for one in submitted.rejections] == [Why.CLOCK]
    assert "cannot be" in plainly_wrong(wrong_ms)
    assert plainly_wrong(NOW_MS) == ""
    await there.close()


async def test_a_stranger_is_listed_and_not_stored(door: Intake, store: SqliteStore, reading: Make) -> None:
    """A sensor that belongs to no room is named with when it was heard; nothing of it is kept."""
    submitted = await door.submit([reading(sensor="neighbour")], "serial")
    assert submitted.appended == Appended(0, 0, 0)
    assert submitted.rejections[0].reason == Why.UNKNOWN_SENSOR
    assert door.unassigned_sensors() == {"neighbour": NOW_MS}
    assert store.read.extents() == []


async def test_strangers_do_not_grow_memory(door: Intake, reading: Make) -> None:
    """Of very many strangers only the latest are remembered."""
    for start in range(0, 2000, 500):
        await door.submit([reading(sensor=f"n{number}") for number in range(start, start + 500)], "radio")
    assert len(door.unassigned_sensors()) == intake.MOST_UNASSIGNED
    assert "n1999" in door.unassigned_sensors()


async def test_what_is_acknowledged_is_there_for_another_reader(
    door: Intake, reading: Make, tmp_path: Path, news: list[News]
) -> None:
    """When submit returns, another connection to the file sees the readings, and followers know which room moved."""
    await door.submit([reading(41.5), reading(20.0, "temperature_c")], "http")
    with SqliteStore.open(tmp_path / "lumberroom.sqlite3", read_only=True) as other:
        assert other.read.read(RH, 0, NOW_MS * 2).value.tolist() == [41.5]
    assert [n.rooms for n in news] == [("hall",)]


async def test_each_submitter_is_told_of_its_own_readings(door: Intake, reading: Make) -> None:
    """Many submitters share few transactions, yet each learns what became of its own."""
    await door.submit([reading(45.0)], "a")
    results = await asyncio.gather(
        door.submit([reading(45.0)], "repeat"),
        door.submit([reading(46.0)], "amend"),
        *(door.submit([reading(50.0, at_ms=NOW_MS - n)], "new") for n in range(1, 101)),
    )
    assert results[0].appended == Appended(0, 1, 0)
    assert results[1].appended == Appended(0, 0, 1)
    assert {result.appended for result in results[2:]} == {Appended(1, 0, 0)}
    assert (door.health.stored, door.health.repeated, door.health.amended) == (101, 1, 1)


async def test_an_incident_is_in_the_transaction_of_its_readings(
    door: Intake, store: SqliteStore, reading: Make, news: list[News]
) -> None:
    """A room that is out for the dwell time has its incident stored when submit returns, and it is news."""
    await door.submit([reading(70.0, at_ms=NOW_MS - 900_000 + 60_000 * n) for n in range(16)], "serial")
    opened = store.read.incidents(only_open=True)
    assert [incident.room for incident in opened] == ["hall"]
    assert [n.incidents for n in news] == [(opened[0],)]


async def test_a_bug_in_the_watch_costs_no_reading(
    disk: FullDisk, clock: DrivenClock, site: Site, store: SqliteStore, reading: Make
) -> None:
    """When judging crashes, the readings are stored all the same, and the health says that they were not judged."""

    broken_now = True

    def broken(work: UnitOfWork, site: Site, batch: ReadingBatch, now_ms: int) -> list[Incident]:
        work.save_judgement("hall", {"half": "done"})
        if broken_now:
            raise ZeroDivisionError("no air at all")
        return []

    door = Intake(disk, clock, lambda: site, broken, lambda news: None)
    door.start()
    assert (await door.submit([reading(44.0)], "serial")).appended.stored == 1
    assert store.read.read(RH, 0, NOW_MS * 2).value.tolist() == [44.0]
    assert store.read.judgement("hall") is None
    assert (door.health.judging_failures, door.health.judging_error) == (
        1,
        "room hall: ZeroDivisionError: no air at all",
    )
    assert list(arrears.noted(store.read, arrears.UNJUDGED, "hall")) == ["hall-1"]
    broken_now = False
    with store.transaction() as work:
        arrears.settle(work, arrears.UNJUDGED, "hall")  # as the next round of the watch does
    await door.submit([reading(45.0)], "serial")
    assert (door.health.judging_failures, door.health.judging_error) == (1, "")
    await door.close()


@pytest.mark.parametrize("fault", [InputError("no such species", where="boards"), KeyError("species")])
async def test_a_room_that_cannot_be_judged_holds_up_no_other(
    disk: FullDisk, clock: DrivenClock, store: SqliteStore, reading: Make, fault: Exception
) -> None:
    """One room's wrong input stops its own judging only: all readings are stored, the others judged, it is noted."""
    window = AcclimationWindow(rh_percent=Bounds(30, 50), dwell_s=600)
    rooms = tuple(Room(name, name.title(), window) for name in ("hall", "den"))
    site = Site("s", rooms=rooms, sensors=(Sensor("hall-1", "hall"), Sensor("den-1", "den")))
    broken_now = True

    def broken(work: UnitOfWork, site: Site, batch: ReadingBatch, now_ms: int) -> list[Incident]:
        found = judge(work, site, batch, now_ms)
        if broken_now and any(key.sensor == "hall-1" for key in batch.keys):
            raise fault
        return found

    door = Intake(disk, clock, lambda: site, broken, lambda news: None)
    door.start()
    for n in range(16):
        at_ms = NOW_MS - 900_000 + 60_000 * n
        await door.submit([reading(70.0, at_ms=at_ms), reading(70.0, at_ms=at_ms, sensor="den-1")], "serial")
        await door.deliver([reading(70.0, at_ms=at_ms - 30_000)], "serial")
    assert [one.room for one in store.read.incidents()] == ["den"]
    assert (door.health.held, door.health.given_up, door.health.store_error) == (0, 0, "")
    assert door.health.judging_failures == 1
    assert door.health.judging_error.startswith("room hall: ")
    assert arrears.noted(store.read, arrears.UNJUDGED, "den") == {}
    broken_now = False
    with store.transaction() as work:
        Watch().judge_unjudged(work, site, now_ms=NOW_MS)
    await door.submit([reading(70.0, at_ms=NOW_MS + 60_000)], "serial")
    assert {one.room for one in store.read.incidents()} == {"den", "hall"}
    assert door.health.judging_error == ""
    await door.close()


async def test_a_submitter_is_told_of_a_full_disk(door: Intake, disk: FullDisk, reading: Make) -> None:
    """Whoever pushes readings learns that they are not stored, and may push them again."""
    disk.full.set()
    with pytest.raises(StorageError, match="the disk is full"):
        await door.submit([reading()], "http")
    disk.full.clear()
    assert (await door.submit([reading()], "http")).appended.stored == 1


async def test_an_adapter_goes_on_through_a_full_disk(
    door: Intake, disk: FullDisk, clock: DrivenClock, store: SqliteStore, reading: Make
) -> None:
    """Readings of an adapter are held while the disk is full and stored in order when there is room again."""
    disk.full.set()
    for number in range(50):
        await door.deliver([reading(40.0, at_ms=NOW_MS - 1000 * (50 - number))], "serial")
    await until(lambda: door.health.held == 50)
    assert "the disk is full" in door.health.store_error
    disk.full.clear()
    for _ in range(200):
        await clock.advance(1)
        await asyncio.sleep(0.01)
        if door.health.held == 0:
            break
    assert len(store.read.read(RH, 0, NOW_MS * 2)) == 50
    assert (door.health.held, door.health.given_up, door.health.store_error) == (0, 0, "")


async def test_a_round_that_changes_nothing_is_no_sign_of_room(
    door: Intake, disk: FullDisk, clock: DrivenClock, reading: Make
) -> None:
    """While readings are held, a piece of writing that wrote nothing does not say that the store is well again."""
    disk.full.set()
    await door.deliver([reading()], "a")
    await until(lambda: door.health.held == 1)
    assert await door.write(list) == []
    assert "the disk is full" in door.health.store_error
    disk.full.clear()
    for _ in range(100):
        await clock.advance(1)
    await until(lambda: door.health.held == 0)
    assert door.health.store_error == ""


async def test_what_is_held_is_bounded_and_what_is_given_up_is_counted(
    door: Intake, disk: FullDisk, reading: Make
) -> None:
    """A disk that stays full costs the oldest readings, not the memory."""
    disk.full.set()
    batch = [reading(40.0, at_ms=NOW_MS - n) for n in range(10_000)]
    for _ in range(25):
        await door.deliver(batch, "serial")
    await until(lambda: door.health.given_up == 50_000)
    assert door.health.held == intake.HELD_READINGS


async def test_an_adapter_does_not_wait_for_the_disk(
    door: Intake, disk: FullDisk, store: SqliteStore, reading: Make
) -> None:
    """A line's readings are taken while the disk is busy, and go into few transactions together."""
    for number in range(500):
        await door.deliver([reading(40.0, at_ms=NOW_MS - number)], "serial")
    await until(lambda: door.health.stored == 500)
    assert disk.transactions < 50
    assert len(store.read.read(RH, 0, NOW_MS * 2)) == 500


async def test_it_knows_for_how_long_readings_wait(door: Intake, disk: FullDisk, reading: Make) -> None:
    """While the disk is stuck the oldest reading's waiting time grows; when all is written nothing waits."""
    assert door.waited_s() == 0.0
    disk.stuck.acquire()
    first = asyncio.create_task(door.submit([reading(40.0, at_ms=NOW_MS - 2)], "http"))
    await asyncio.sleep(0.15)
    second = asyncio.create_task(door.submit([reading(40.0, at_ms=NOW_MS - 1)], "http"))
    await asyncio.sleep(0.1)
    waited_s = door.waited_s()
    disk.stuck.release()
    assert 0.2 <= waited_s < 2.0
    await asyncio.gather(first, second)
    await until(lambda: door.waited_s() == 0.0)


async def test_a_flood_is_made_to_wait_for_the_store(door: Intake, disk: FullDisk, reading: Make) -> None:
    """An adapter that gives readings faster than they can be written is slowed down instead of filling the memory."""
    disk.stuck.acquire()
    batch = [reading(40.0, at_ms=NOW_MS - n) for n in range(5_000)]
    flood = asyncio.create_task(deliver_all(door, [batch] * 10))
    await asyncio.sleep(0.2)
    assert not flood.done()
    disk.stuck.release()
    await flood
    await until(lambda: door.health.stored + door.health.repeated == 50_000)


async def deliver_all(door: Intake, batches: list[list[Reading]]) -> None:
    """Deliver batches one after the other."""
    for batch in batches:
        await door.deliver(batch, "replay")


async def test_closing_writes_what_is_waiting(disk: FullDisk, clock: DrivenClock, site: Site, reading: Make) -> None:
    """A stop in the middle of a rush stores everything that was handed in before it, and refuses what comes after."""
    door = Intake(disk, clock, lambda: site, judge, lambda news: None)
    door.start()
    rush = [asyncio.create_task(door.submit([reading(at_ms=NOW_MS - n)], "http")) for n in range(200)]
    await asyncio.sleep(0)
    await door.close()
    assert [(await one).appended.stored for one in rush] == [1] * 200
    with pytest.raises(StorageError, match="the daemon is stopping"):
        await door.submit([reading(at_ms=NOW_MS - 999)], "http")


async def test_a_submitter_that_goes_away_harms_nobody(door: Intake, reading: Make) -> None:
    """A cancelled request neither stops the writer nor costs the next one its answer."""
    gone = asyncio.create_task(door.submit([reading(at_ms=NOW_MS - 1)], "http"))
    await asyncio.sleep(0)
    gone.cancel()
    assert (await door.submit([reading()], "http")).appended.stored == 1
    with pytest.raises(asyncio.CancelledError):
        await gone


async def test_readings_that_their_sender_keeps_wait_for_a_full_disk(
    door: Intake, disk: FullDisk, clock: DrivenClock, store: SqliteStore, reading: Make
) -> None:
    """They are not held here: it returns when they are durable, after the disk has room again."""
    disk.full.set()
    delivering = asyncio.create_task(door.deliver_durably([reading(44.0)], "mqtt"))
    await until(lambda: bool(door.health.store_error))
    assert (door.health.held, delivering.done()) == (0, False)
    disk.full.clear()
    await clock.advance(60)
    await asyncio.wait_for(delivering, 2)
    assert store.read.read(RH, 0, NOW_MS * 2).value.tolist() == [44.0]
    assert door.health.store_error == ""


async def test_readings_on_which_the_store_breaks_hold_no_sender_up(
    door: Intake, disk: FullDisk, reading: Make
) -> None:
    """A fault of ours with certain readings costs these, counted, and not all that follow them."""
    disk.broken.set()
    await asyncio.wait_for(door.deliver_durably([reading(44.0)], "mqtt"), 2)
    assert door.health.given_up == 1


async def test_strangers_with_wrong_values_do_not_flood_the_log(
    door: Intake, reading: Make, clock: DrivenClock
) -> None:
    """Each of a thousand invented names says what cannot be true: one line in the log, a thousand counted."""
    with structlog.testing.capture_logs() as lines:
        for number in range(1000):
            await door.deliver([reading(500.0, sensor=f"invented-{number}")], "broker")
        await door.deliver([reading(500.0)], "broker")
    refused = [line["sensor"] for line in lines if line["event"] == "a reading was refused"]
    assert refused == ["invented-0", "hall-1"]
    assert door.rejected_of("broker") == {Why.OUT_OF_RANGE: 1001}


async def test_readings_are_gathered_as_long_as_nobody_waits(store, clock, site, reading) -> None:
    """A minute's gathering: twenty readings make one commit when somebody pushes, who is answered at once."""
    intake = Intake(store, clock, lambda: site, lambda *_: [], lambda _: None, gather_s=60.0)
    intake.start()
    await intake.deliver([reading()], "line")  # the first is written at once: nothing came for long
    await asyncio.sleep(0.2)
    before = store.read.newest_change()
    for number in range(20):
        await intake.deliver([reading(at_ms=NOW_MS - 1000 * number - 1000)], "line")
    await asyncio.sleep(0.2)
    assert store.read.newest_change() == before
    async with asyncio.timeout(5):
        await intake.submit([reading(at_ms=NOW_MS - 60_000)], "push")
    assert store.read.newest_change() == before + 2  # the pushed one, and the others together
    assert intake.waited_s() == 0.0
    await intake.deliver([reading(at_ms=NOW_MS - 90_000)], "line")
    async with asyncio.timeout(5):
        await intake.close()
    assert store.read.extents()[0].count == 23
