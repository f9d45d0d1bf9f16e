"""The job and the wiring file: seeded once, added to later, never overwritten; written as text and read back."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.runtime.job import changes, merge, seed
from ingest.settings.reading import load_job
from ingest.settings.site_text import job_text
from ingest.site.places import AcclimationWindow, Bounds, Place, Room, Sensor, Site
from ingest.store.sqlite_store import SqliteStore


def test_the_first_run_seeds_the_job(store: SqliteStore, site: Site) -> None:
    """An empty store takes the file's site as the job."""
    assert seed(store, site, now_ms=1).added == ("the site and all its rooms",)
    assert store.read.site() == site


def test_new_rooms_and_sensors_are_added_later(store: SqliteStore, site: Site) -> None:
    """A room or sensor that only the file has goes into the job; a second start changes nothing."""
    seed(store, site, now_ms=1)
    wider = replace(
        site,
        rooms=(*site.rooms, Room("loft", "Loft")),
        sensors=(*site.sensors, Sensor("loft-1", "loft"), Sensor("hall-3", "hall")),
    )
    assert seed(store, wider, now_ms=2).added == ('room "loft"', 'sensor "loft-1"', 'sensor "hall-3"')
    assert store.read.site() == wider
    assert seed(store, wider, now_ms=3).added == ()


def test_what_differs_is_told_and_the_job_holds(store: SqliteStore, site: Site) -> None:
    """A window edited in the file after the first run is reported, not taken."""
    seed(store, site, now_ms=1)
    edited = replace(site, name="Other", rooms=(replace(site.rooms[0], window=None, title="Saal"),))
    merged = seed(store, edited, now_ms=2)
    assert merged.differing == ("the site's name", 'the title of room "hall"', 'the window of room "hall"')
    assert store.read.site() == site


def test_a_sensor_that_moved_in_the_file_is_told(site: Site) -> None:
    """Hanging a sensor elsewhere is a change of the job, not an addition."""
    moved = replace(site, sensors=(replace(site.sensors[0], place=Place.WOOD), site.sensors[1]))
    assert merge(site, moved).differing == ('the place of sensor "hall-1"',)


def test_changes_are_told_in_words(site: Site) -> None:
    """Applying a job says what is added, taken away and changed; the same job says nothing."""
    other = replace(site, rooms=(Room("loft", "Loft"),), sensors=(replace(site.sensors[0], room="loft"),))
    assert changes(site, other) == [
        'room "loft" is added',
        'room "hall" is taken away',
        'sensor "hall-2" is taken away',
        'the room of sensor "hall-1" changes',
    ]
    assert changes(site, site) == []


_numbers = st.floats(0, 60, allow_nan=False)
_titles = st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=40)


@st.composite
def bounds(draw: st.DrawFn) -> Bounds | None:
    """Draw bounds with one end, both, or none."""
    low, high = draw(st.none() | st.floats(1, 20)), draw(st.none() | st.floats(21, 29))
    return None if low is None and high is None else Bounds(low, high)


@st.composite
def sites(draw: st.DrawFn) -> Site:
    """Draw a site of up to three rooms."""
    rooms, sensors = [], []
    for number in range(draw(st.integers(0, 3))):
        window = AcclimationWindow(
            temperature_c=draw(bounds()),
            rh_percent=draw(bounds()),
            dwell_s=60.0 * draw(st.integers(0, 600)),
            margin_rh_percent=draw(st.floats(0, 5)),
        )
        rooms.append(Room(f"r{number}", draw(_titles), window if window.bounds() else None, draw(_titles)))
        sensors.append(Sensor(f"s{number}", f"r{number}", draw(st.sampled_from(Place)), draw(_titles), 1800.0))
    return Site(draw(_titles), "Europe/Berlin", draw(_numbers), tuple(rooms), tuple(sensors))


@given(drawn=sites())
@settings(max_examples=60)
def test_a_job_written_as_text_reads_back_the_same(drawn: Site) -> None:
    """Whatever the job, export and apply carry it unchanged, to the last bit of every number and letter."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "job.toml"
        path.write_text(job_text(drawn), encoding="utf-8")
        assert load_job(path) == drawn
