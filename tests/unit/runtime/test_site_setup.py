"""The site setup: seeded by the settings file once, changed live, never overwritten; as a text and as a document."""

from __future__ import annotations

import asyncio
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboards.services import News
from ingest.clock import DrivenClock
from ingest.errors import ConflictError, InputError
from ingest.runtime.live_job import LiveJob
from ingest.settings.reading import load_site
from ingest.settings.site_document import document_of, merged, patch_between, site_of
from ingest.settings.site_text import site_text
from ingest.site.actor import Actor, Where
from ingest.site.editing import changes, differences, laid_over, with_sensor
from ingest.site.incidents import Incident
from ingest.site.places import AcclimationWindow, Bounds, Place, Room, Sensor, Site
from ingest.store.sqlite_store import SqliteStore

MARA = Actor(Where.PAGE, "Mara")


def live_job(store: SqliteStore, clock: DrivenClock, in_file: Site, heard: list[News] | None = None) -> LiveJob:
    """Give the site setup of a daemon whose writer runs."""
    made = LiveJob(store, clock, in_file, (heard if heard is not None else []).append)

    async def write(work: Callable[[], list[Incident]]) -> list[Incident]:
        return await asyncio.to_thread(work)

    made.write = write
    return made


def test_the_first_run_seeds_the_site_setup_and_later_ones_change_nothing(
    store: SqliteStore, clock: DrivenClock, site: Site
) -> None:
    """An empty store takes the file's; a room that only the file has later is told and not taken."""
    assert live_job(store, clock, site).site == site == store.read.site()
    wider = replace(site, rooms=(*site.rooms, Room("loft", "Loft")), sensors=(*site.sensors, Sensor("l", "loft")))
    again = live_job(store, clock, wider)
    assert again.site == site == store.read.site()
    assert again.differing == ('room "loft" is in the file only', 'sensor "l" is in the file only')


def test_an_edited_file_is_told_and_a_change_on_a_page_is_none(
    store: SqliteStore, clock: DrivenClock, site: Site
) -> None:
    """What a page changed leaves the file as it was, which is no contradiction; a file edited since is one."""
    live = live_job(store, clock, site)
    asyncio.run(live.change(lambda one: replace(one, name="Lakeside house"), by=MARA))
    assert live.differing == ()
    assert live_job(store, clock, site).differing == ()
    edited = replace(site, rooms=(replace(site.rooms[0], window=None, title="Saal"),))
    found = live_job(store, clock, edited).differing
    assert found == ("the site's name", 'the title of room "hall"', 'the acclimation window of room "hall"')


def test_a_change_holds_at_once_with_its_history_and_is_told(
    store: SqliteStore, clock: DrivenClock, site: Site
) -> None:
    """One entry of the log with who did it; the same again is no entry; whoever follows hears which rooms."""
    heard: list[News] = []
    live = live_job(store, clock, site, heard)
    first = live.number
    done = asyncio.run(live.change(lambda one: with_sensor(one, Sensor("hall-3", "hall")), by=MARA))
    assert done.words == ('sensor "hall-3" is added',)
    assert live.site == store.read.site() == done.site
    assert [(entry.number, entry.by) for entry in store.read.history("site")][1:] == [(done.number, "page Mara")]
    assert asyncio.run(live.change(lambda one: one, by=MARA)).words == ()
    assert live.number == done.number > first
    assert [news.rooms for news in heard] == [("hall",)]


def test_two_who_change_at_once_do_not_overwrite_each_other(store: SqliteStore, clock: DrivenClock, site: Site) -> None:
    """Who decided by an older site setup is refused; edits that need none go one after the other, both kept."""
    live = live_job(store, clock, site)
    seen = live.number

    async def both() -> None:
        edits = (lambda one, name=name: with_sensor(one, Sensor(name, "hall")) for name in ("a", "b"))
        await asyncio.gather(*(live.change(edit, by=MARA) for edit in edits))
        with pytest.raises(ConflictError, match="changed meanwhile"):
            await live.change(lambda one: replace(one, name="Other"), by=MARA, based_on=seen)

    asyncio.run(both())
    assert {one.id for one in live.site.sensors} >= {"a", "b"}
    assert live.site.name == site.name


def test_a_store_that_cannot_be_written_changes_nothing(store: SqliteStore, clock: DrivenClock, site: Site) -> None:
    """Before the writer runs, or when it fails, what stands goes on standing."""
    live = LiveJob(store, clock, site, [].append)
    with pytest.raises(Exception, match="not open for writing"):
        asyncio.run(live.change(lambda one: replace(one, name="Other"), by=MARA))
    assert live.site == site == store.read.site()


def test_one_setup_laid_over_another_takes_nothing_away(site: Site) -> None:
    """A sensor that only the site setup has, assigned on a page, stays; order is kept; what is named is replaced."""
    assigned = with_sensor(site, Sensor("page-1", "hall"))
    in_file = replace(site, name="Other", sensors=(replace(site.sensors[1], place=Place.WOOD), site.sensors[0]))
    over = laid_over(assigned, in_file)
    assert [one.id for one in over.sensors] == ["hall-1", "hall-2", "page-1"]
    assert over.sensor("hall-2") == in_file.sensors[0]
    assert over.name == "Other"
    assert differences(over, in_file) == []


def test_changes_are_told_in_words(site: Site) -> None:
    """What is added, taken away and changed; the same says nothing."""
    other = replace(site, rooms=(Room("loft", "Loft"),), sensors=(replace(site.sensors[0], room="loft"),))
    assert changes(site, other) == [
        'room "loft" is added',
        'room "hall" is taken away',
        'sensor "hall-2" is taken away',
        'the room of sensor "hall-1" changes',
    ]
    assert changes(site, site) == []


def test_a_merge_patch_follows_the_standard() -> None:
    """The examples of RFC 7396, appendix A, those whose outcome is an object."""
    examples = [
        ({"a": "b"}, {"a": "c"}, {"a": "c"}),
        ({"a": "b"}, {"b": "c"}, {"a": "b", "b": "c"}),
        ({"a": "b"}, {"a": None}, {}),
        ({"a": "b", "b": "c"}, {"a": None}, {"b": "c"}),
        ({"a": ["b"]}, {"a": "c"}, {"a": "c"}),
        ({"a": "c"}, {"a": ["b"]}, {"a": ["b"]}),
        ({"a": {"b": "c"}}, {"a": {"b": "d", "c": None}}, {"a": {"b": "d"}}),
        ({"a": [{"b": "c"}]}, {"a": [1]}, {"a": [1]}),
        ({"e": None}, {"a": 1}, {"e": None, "a": 1}),
        ([1, 2], {"a": "b", "c": None}, {"a": "b"}),
        ({}, {"a": {"bb": {"ccc": None}}}, {"a": {"bb": {}}}),
    ]
    for before, patch, after in examples:
        assert merged(before, patch) == after


def test_a_document_that_is_wrong_is_refused_in_words(site: Site) -> None:
    """Each mistake is named with its place; nothing is guessed."""
    document = merged(
        document_of(site), {"rooms": {"hall": {"window": {"rh_percent": [60, 40]}, "sensors": {"x": {}}}}}
    )
    with pytest.raises(InputError, match="low end 60 does not lie below") as caught:
        site_of(document)
    assert "rh_percent" in caught.value.where
    with pytest.raises(InputError, match="an object"):
        site_of({"site": {"name": "x", "time_zone": "UTC"}, "rooms": {"hall": 3}})


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
        path.write_text(site_text(drawn), encoding="utf-8")
        assert load_site(path) == drawn


@given(before=sites(), after=sites())
@settings(max_examples=60)
def test_a_site_setup_as_a_document_reads_back_the_same_and_a_patch_leads_from_one_to_another(
    before: Site, after: Site
) -> None:
    """Programs get and send the whole of it, unchanged; a patch between two makes the second of the first."""
    assert site_of(document_of(before)) == before
    patched = site_of(merged(document_of(before), patch_between(document_of(before), document_of(after))))
    assert changes(patched, after) in ([], ["the order of rooms or sensors changes"])
