"""A window that was changed by hand judges from its change on: weeks say what the watch said, before and after."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from adapters.contract import Reading, Stamp
from ingest.practice.plans import plan_on_record
from ingest.practice.weeks import WeekState, week_by_week
from ingest.site.actor import SETTINGS, Actor, Where
from ingest.site.places import AcclimationWindow, Bounds, Phase, Room, Sensor, Site
from ingest.site.series import ReadingBatch
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.window.plan import plan_of

MONDAY_MS = 1_768_176_000_000  # Mon 12 Jan 2026, UTC
DAY_MS = 86_400_000
WIDE, NARROW = (AcclimationWindow(rh_percent=Bounds(30, high)) for high in (60, 45))
ROOM = Room("oak", "Oak store", WIDE)
SITE = Site("Mill (invented)", "UTC", rooms=(ROOM,), sensors=(Sensor("a", "oak"),))
MARA = Actor(Where.PAGE, "Mara")


def test_a_window_changed_by_hand_holds_from_then_on_and_never_backwards(tmp_path: Path) -> None:
    """50 % all along; on Monday week the limit is drawn from 60 to 45 %: the week before stays in range."""
    narrowed = replace(SITE, rooms=(replace(ROOM, window=NARROW),))
    with SqliteStore.open(tmp_path / "lumberroom.sqlite3") as store:
        readings = [
            Reading("a", quantity, value, MONDAY_MS + hour * 3_600_000, Stamp.SENSOR)
            for hour in range(14 * 24)
            for quantity, value in (("rh_percent", 50.0), ("temperature_c", 20.0))
        ]
        with store.transaction() as work:
            work.save_site(SITE, at_ms=MONDAY_MS, by=SETTINGS)
            work.append(ReadingBatch.of(readings), heard_ms=MONDAY_MS)
        with store.transaction() as work:
            work.save_site(narrowed, at_ms=MONDAY_MS + 7 * DAY_MS, by=MARA)
        weeks = week_by_week(store.read, narrowed, narrowed.rooms[0], MONDAY_MS, MONDAY_MS + 14 * DAY_MS)
        assert [week.state for week in weeks] == [WeekState.IN_RANGE, WeekState.OUT_OF_RANGE]
        plan = plan_on_record(store.read, narrowed, narrowed.rooms[0])
        assert [(held.window, held.from_ms) for held in plan][1:] == [(NARROW, MONDAY_MS + 7 * DAY_MS)]
        assert plan[0].window == WIDE
        # Who asks what would be is told by the room that was given.
        asked = replace(ROOM, window=AcclimationWindow(rh_percent=Bounds(10, 20)))
        assert plan_on_record(store.read, narrowed, asked) == plan_of(asked, "UTC")


def test_a_room_given_with_the_window_of_now_has_the_plan_on_record(tmp_path: Path) -> None:
    """The pages know a room with phases by the window that holds now; its first one is on record."""
    phased = replace(ROOM, phases=(Phase("laying", "2026-01-19", NARROW),))
    site = replace(SITE, rooms=(phased,))
    with SqliteStore.open(tmp_path / "lumberroom.sqlite3") as store:
        with store.transaction() as work:
            work.save_site(site, at_ms=MONDAY_MS, by=SETTINGS)
        now = replace(phased, window=NARROW)
        assert plan_on_record(store.read, site, now) == plan_of(phased, "UTC")
