"""The job as of now, asked for again and again: the same object until a phase begins."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

from ingest.site.places import AcclimationWindow, Bounds, Phase, Room, Sensor, Site
from ingest.watch.window.plan import AsOf, as_of

LAYING = AcclimationWindow(rh_percent=Bounds(35, 55))
LIVING = AcclimationWindow(rh_percent=Bounds(30, 60))
SITE = Site(
    name="Job (invented)",
    time_zone="Europe/Berlin",
    rooms=(Room("hall", "Hall", LAYING, phases=(Phase("Lived in", "2026-03-01", LIVING),)), Room("loft", "Loft")),
    sensors=(Sensor("a", "hall"), Sensor("b", "loft"), Sensor("c", "hall")),
)
MIDNIGHT_MS = round(dt.datetime(2026, 2, 28, 23, tzinfo=dt.UTC).timestamp() * 1000)  # in Berlin, CET


def test_it_is_worked_out_anew_only_where_a_window_changes():
    """To the millisecond of the site's midnight, forwards and, where a clock is set back, backwards."""
    held = AsOf()
    before = held(SITE, MIDNIGHT_MS - 86_400_000)
    assert held(SITE, MIDNIGHT_MS - 1) is before
    after = held(SITE, MIDNIGHT_MS)
    assert [room.window for room in (before.rooms[0], after.rooms[0])] == [LAYING, LIVING]
    assert held(SITE, MIDNIGHT_MS + 10**11) is after
    assert held(SITE, MIDNIGHT_MS - 5) == as_of(SITE, MIDNIGHT_MS - 5) == before


def test_a_changed_job_is_another():
    """Whatever was known of the one before does not hold."""
    held = AsOf()
    held(SITE, MIDNIGHT_MS)
    moved = replace(SITE, rooms=(replace(SITE.rooms[0], phases=()), SITE.rooms[1]))
    assert held(moved, MIDNIGHT_MS).rooms[0].window is LAYING


def test_a_site_finds_its_rooms_and_sensors():
    """By id, by room and by place, in the order in which they were listed; another site's are not taken for its own."""
    other = replace(SITE, rooms=SITE.rooms[1:], sensors=SITE.sensors[1:])
    for _ in range(2):
        assert [sensor.id for sensor in SITE.sensors_of("hall")] == ["a", "c"]
        assert [sensor.id for sensor in other.sensors_of("hall")] == ["c"]
        assert SITE.room("hall") is SITE.rooms[0]
        assert other.room("hall") is None
        assert SITE.sensor("a") is SITE.sensors[0]
        assert (other.sensor("a"), SITE.sensor("")) == (None, None)
        assert SITE.sensors_of("cellar") == ()
