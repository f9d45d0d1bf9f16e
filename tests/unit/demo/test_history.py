"""The demonstration's past: complete, judged, believable in every season, and continued without a seam."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ingest.demo import folder, history, places, troubles
from ingest.demo.forecast import forecast
from ingest.demo.places import FRONT_ROOM, JOINERS_SHOP, TIMBER_STORE
from ingest.demo.show import prepare, wiring
from ingest.errors import RefusedError, StorageError
from ingest.site.incidents import IncidentKind
from ingest.site.series import SeriesKey
from ingest.store.file.integrity import check_integrity
from ingest.store.file.opening import FILE_NAME
from ingest.store.sqlite_store import SqliteStore

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
NOW_MS = int(dt.datetime(2026, 11, 25, 9, 30, tzinfo=dt.UTC).timestamp() * 1000)


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the whole past in it, made once."""
    directory = tmp_path_factory.mktemp("demo")
    folder.remember(directory, history.new_story(NOW_MS))
    prepare(directory, NOW_MS + 12_345)
    return directory


@pytest.fixture
def store(prepared: Path) -> Iterator[SqliteStore]:
    """Its store, to read."""
    opened = SqliteStore.open(prepared / FILE_NAME, read_only=True)
    yield opened
    opened.close()


def test_sixty_days_are_stored_without_a_gap(store: SqliteStore) -> None:
    """Every sensor has one reading each two minutes, from sixty days ago up to the start of the live part."""
    extents = {extent.key: extent for extent in store.read.extents()}
    expected = troubles.HISTORY_DAYS * 24 * 30 + 1
    assert len(extents) == 7
    for extent in extents.values():
        assert extent.count == expected
        assert extent.first_ms == NOW_MS - troubles.HISTORY_DAYS * DAY_MS
        assert extent.last_ms == NOW_MS
    key = SeriesKey(FRONT_ROOM.air_sensor, "rh_percent")
    assert store.read.gaps(key, NOW_MS - 60 * DAY_MS, NOW_MS) == []
    emc = store.read.read(SeriesKey(TIMBER_STORE.air_sensor, "emc_percent"), NOW_MS - DAY_MS, NOW_MS)
    assert len(emc) == 720


def test_the_past_has_its_incident_and_it_is_closed(store: SqliteStore) -> None:
    """The long stop of the dehumidifier, 24 days ago, is an incident of the front room, opened and closed then."""
    incidents = store.read.incidents(room=FRONT_ROOM.room.id)
    tripped_ms = NOW_MS - 24 * DAY_MS
    (found,) = [i for i in incidents if tripped_ms < i.opened_ms < tripped_ms + 30 * HOUR_MS]
    assert found.kind is IncidentKind.WINDOW
    assert found.quantity == "rh_percent"
    assert found.worst_value is not None
    assert found.worst_value > 55.0
    assert found.opened_ms - found.began_ms == 3_600_000
    assert found.closed_ms is not None
    assert found.closed_ms < tripped_ms + 40 * HOUR_MS


def test_no_mail_goes_out_about_the_past(store: SqliteStore) -> None:
    """The outbox is empty: incidents that were over before anybody looked are shown, not mailed."""
    assert store.read.incidents()
    assert store.read.notices() == []


def test_the_store_is_sound(prepared: Path) -> None:
    """What was written in one go passes the store's own check."""
    assert check_integrity(prepared / FILE_NAME) == []


def test_all_rooms_are_within_their_windows_when_the_page_opens(store: SqliteStore) -> None:
    """So that what drifts out while one looks stands out."""
    assert store.read.incidents(only_open=True) == []


def test_nothing_is_stored_twice_when_preparing_again(prepared: Path, tmp_path: Path) -> None:
    """A second start within the same minute writes no reading again and remembers both starts."""
    directory = tmp_path / "again"
    directory.mkdir()
    for name in (FILE_NAME, folder.MARK):
        (directory / name).write_bytes((prepared / name).read_bytes())
    memory, start_ms, past = prepare(directory, NOW_MS + 50_000)
    assert past.readings == 0
    assert start_ms == NOW_MS
    assert memory.live_starts_ms == [NOW_MS, NOW_MS]


def test_a_later_start_fills_the_time_between(prepared: Path, tmp_path: Path) -> None:
    """Started again three days later, the days between are there, as the same rooms would have lived them."""
    directory = tmp_path / "later"
    directory.mkdir()
    for name in (FILE_NAME, folder.MARK):
        (directory / name).write_bytes((prepared / name).read_bytes())
    before = folder.recall(directory)
    assert before is not None
    later_ms = NOW_MS + 3 * DAY_MS
    _, start_ms, past = prepare(directory, later_ms)
    assert start_ms == later_ms
    assert past.readings == 3 * 720 * 7
    sensors = history.simulated(before, JOINERS_SHOP)
    at_ms = sensors.due(later_ms)
    expected = sensors.measure(at_ms)[JOINERS_SHOP.air_sensor, "rh_percent"]
    store = SqliteStore.open(directory / FILE_NAME, read_only=True)
    got = store.read.read(SeriesKey(JOINERS_SHOP.air_sensor, "rh_percent"), NOW_MS + 1, later_ms + 1)
    store.close()
    assert np.array_equal(got.at_ms, at_ms)
    assert np.array_equal(got.value, expected)


def test_a_long_pause_stays_a_gap(prepared: Path, tmp_path: Path) -> None:
    """Only the last stretch of a long pause is made up, so that starting stays quick: the rest is a gap, honestly."""
    (tmp_path / FILE_NAME).write_bytes((prepared / FILE_NAME).read_bytes())
    memory = folder.recall(prepared)
    assert memory is not None
    store = SqliteStore.open(tmp_path / FILE_NAME)
    later_ms = NOW_MS + 9 * DAY_MS
    past = history.write_past(store, memory, later_ms, longest_ms=2 * DAY_MS)
    gaps = store.read.gaps(SeriesKey(FRONT_ROOM.air_sensor, "rh_percent"), NOW_MS, later_ms)
    store.close()
    assert past.readings == (2 * 720 + 1) * 7
    assert len(gaps) == 1
    assert gaps[0].to_ms == NOW_MS + 7 * DAY_MS


def test_a_real_store_is_never_touched(tmp_path: Path) -> None:
    """A folder with a store but without the demonstration's mark is refused, and stays as it was."""
    SqliteStore.open(tmp_path / FILE_NAME).close()
    before = (tmp_path / FILE_NAME).read_bytes()
    with pytest.raises(RefusedError, match="invented ones must not be mixed in") as caught:
        prepare(tmp_path, NOW_MS)
    assert "--data" in str(caught.value)
    assert (tmp_path / FILE_NAME).read_bytes() == before
    assert not (tmp_path / folder.MARK).exists()


@pytest.mark.parametrize("text", ["", "{", "[1]", '{"colour": 1}', '{"start_ms": 1, "edition": 99}'])
def test_an_unreadable_memory_is_told_plainly(tmp_path: Path, text: str) -> None:
    """A damaged mark is named, with what to do about it."""
    (tmp_path / folder.MARK).write_text(text)
    with pytest.raises(StorageError, match=r"cannot be read") as caught:
        folder.recall(tmp_path)
    assert "Delete the folder" in str(caught.value)


def test_the_past_is_written_when_only_the_mark_was(prepared: Path) -> None:
    """Stopped after the mark was written and before the past was (so the fixture): the next start writes it."""
    memory = json.loads((prepared / folder.MARK).read_text())
    assert memory["live_starts_ms"] == [NOW_MS]
    assert set(memory["rooms"]) == {room.room.id for room in places.ROOMS}


def test_everything_is_marked_invented() -> None:
    """The site's name, what each room holds, and the addresses say that nothing here is real."""
    assert "invented" in places.SITE.name
    assert all("invented" in room.holds for room in places.SITE.rooms)
    assert places.RECIPIENT.endswith(".invalid")  # reserved by RFC 2606: can never be anybody's
    assert places.SENDER.endswith(".invalid")


def test_the_daemon_is_wired_to_the_invented_site_alone(prepared: Path) -> None:
    """Three simulated rooms, the catcher as mail server, the page's address in the mails, nothing else."""
    memory = folder.recall(prepared)
    assert memory is not None
    made = wiring(prepared, memory, 8430, 2525)
    assert {adapter.kind for adapter in made.adapters} == {"simulated_room"}
    assert len(made.adapters) == len(made.site.rooms) == 3
    assert made.mail is not None
    assert (made.mail.server, made.mail.port) == ("127.0.0.1", 2525)
    assert made.mail.page_address == "http://127.0.0.1:8430/"


@pytest.mark.parametrize("month", [1, 4, 7, 10, 12])
@pytest.mark.parametrize("hour", [2, 14])
def test_the_front_room_drifts_out_within_minutes_whenever_one_starts(month: int, hour: int) -> None:
    """In every season, by day and by night, at the usual speed of 60 the mail is due 1 to 4 minutes after the start.

    The year's start stands for any: the past is shortened to its last six days, which hold the second coat of plaster.
    """
    now_ms = int(dt.datetime(2026, month, 11, hour, tzinfo=dt.UTC).timestamp() * 1000)
    memory = history.new_story(now_ms)
    memory.live_starts_ms.append(now_ms)
    told = forecast(replace(memory, rooms=_six_days_before(memory, now_ms)), now_ms)
    assert told.left_ms is not None
    assert told.mail_ms is not None
    assert told.trip_ms < told.left_ms
    assert 1.0 < (told.mail_ms - now_ms) / 60_000 / 60.0 < 4.0
    assert told.reset_ms - told.mail_ms > 2 * HOUR_MS


def _six_days_before(memory: folder.Memory, now_ms: int) -> dict[str, dict[str, object]]:
    from_ms = now_ms - 6 * DAY_MS
    late = folder.Memory(start_ms=from_ms)
    sensors = history.simulated(late, FRONT_ROOM)  # without troubles of its own: those count from the real start
    for _ in sensors.skip_to(from_ms):
        pass
    begun = {FRONT_ROOM.room.id: sensors.resume()}
    sensors = history.simulated(replace(memory, rooms=begun), FRONT_ROOM)
    for _ in sensors.skip_to(now_ms):
        pass
    return {FRONT_ROOM.room.id: sensors.resume()}
