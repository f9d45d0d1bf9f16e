"""The record of the job and of incidents: history kept, no change no entry, a quiet edit shows."""

import contextlib
import hashlib
import json
import sqlite3
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.errors import RefusedError
from ingest.site.actor import SETTINGS, WATCH, Actor, Where
from ingest.site.handling import Action, Handling
from ingest.site.incidents import Incident, IncidentKind
from ingest.site.places import AcclimationWindow, Bounds, Place, Room, Sensor, Site
from ingest.store.file.integrity import check_integrity
from ingest.store.record.kinds import HANDLING
from ingest.store.record.plain import canonical_json, from_plain, to_plain
from ingest.store.sqlite_store import SqliteStore
from ingest.watch import handling

SITE = Site(
    "Mühlgasse 4",
    "Europe/Berlin",
    410.0,
    rooms=(
        Room("hall", "Hall", AcclimationWindow(rh_percent=Bounds(30.0, 50.0), emc_percent=Bounds(high=9.0)), "oak"),
    ),
    sensors=(Sensor("attic/1", "hall", Place.WOOD, "under the ridge", 600.0),),
)
INCIDENT = Incident(
    "i-1", "hall", "attic/1", IncidentKind.WINDOW, 1_000, 2_000, "RH <b>above</b> 50 %", quantity="rh_percent"
)


@contextlib.contextmanager
def plain_sqlite(path):
    """Open the file as any other program would."""
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
        yield connection


def test_a_site_comes_back_as_it_was(store) -> None:
    """None before it is seeded, then equal in every field, inside the unit of work and after it."""
    assert store.read.site() is None
    with store.transaction() as work:
        work.save_site(SITE, at_ms=5, by=SETTINGS)
        assert work.read.site() == SITE
    assert store.read.site() == SITE


def test_no_change_makes_no_entry_and_a_change_keeps_what_was(store) -> None:
    """Saving the same again adds nothing; each change adds who, when and what, oldest first."""
    changed = replace(SITE, elevation_m=412.0)
    with store.transaction() as work:
        work.save_site(SITE, at_ms=5, by=SETTINGS)
        work.save_site(SITE, at_ms=6, by=Actor(Where.PAGE, "anna"))
        work.save_site(changed, at_ms=7, by=Actor(Where.PAGE, "anna"))
        work.save_site(SITE, at_ms=8, by=Actor(Where.PAGE, "ben"))
    history = store.read.history("site")
    assert [(entry.at_ms, entry.by) for entry in history] == [(5, "settings"), (7, "page anna"), (8, "page ben")]
    assert [from_plain(Site, entry.body) for entry in history] == [SITE, changed, SITE]


def test_an_incident_is_shown_as_it_stands_and_keeps_what_it_was(store) -> None:
    """Opened, made worse, closed: one incident, three entries; put again unchanged: none."""
    worse = replace(INCIDENT, worst_value=61.5, worst_at_ms=3_000)
    closed = replace(worse, closed_ms=9_000)
    for state in (INCIDENT, worse, worse, closed):
        with store.transaction() as work:
            work.put_incident(state, at_ms=state.closed_ms or 2_000, by=WATCH)
    assert store.read.incidents() == [closed]
    assert store.read.incidents(only_open=True) == []
    assert [from_plain(Incident, e.body) for e in store.read.history("incident", "i-1")] == [INCIDENT, worse, closed]


def test_what_people_do_stands_apart_from_what_the_watch_says(store) -> None:
    """Acknowledged once, by the first; muted alerts; the watch's next word leaves it alone; every step is kept."""
    with store.transaction() as work:
        work.put_incident(INCIDENT, at_ms=2_000, by=WATCH)
        assert work.read.nouns(HANDLING, ["i-1"]) == {}
        handling.acknowledge(work, "i-1", by=Actor(Where.PAGE, "anna"), note="on my way", now_ms=2_500)
        handling.acknowledge(work, "i-1", by=Actor(Where.PAGE, "ben"), now_ms=2_600)
    with store.transaction() as work:
        work.put_incident(replace(INCIDENT, worst_value=70.0), at_ms=2_700, by=WATCH)
        handling.mute(work, "i-1", until_ms=9_000, by=Actor(Where.PAGE, "ben"), now_ms=2_800)
    stands = store.read.nouns(HANDLING, ["i-1", "i-2"])
    assert stands == {
        "i-1": Handling("i-1", 2_500, "anna", muted_until_ms=9_000, note="on my way", action=Action.MUTED),
    }
    assert [(entry.at_ms, entry.by) for entry in store.read.history("handling", "i-1")] == [
        (2_500, "page anna"),
        (2_800, "page ben"),
    ]


def test_an_incident_that_is_not_there_cannot_be_handled(store) -> None:
    """Nothing is written for an unknown id, nor for a quiet that would be over already."""
    with store.transaction() as work:
        work.put_incident(INCIDENT, at_ms=2_000, by=WATCH)
        with pytest.raises(RefusedError, match="no such incident"):
            handling.acknowledge(work, "i-2", by=Actor(Where.PAGE, "anna"), now_ms=3_000)
        with pytest.raises(RefusedError, match="is past"):
            handling.mute(work, "i-1", until_ms=3_000, by=Actor(Where.PAGE, "anna"), now_ms=3_000)
    assert store.read.nouns(HANDLING, ["i-1", "i-2"]) == {}


def test_incidents_are_found_by_room_state_and_time(store) -> None:
    """Newest first; by room, only open ones, before an instant, and no more than asked for."""
    many = [
        replace(
            INCIDENT, id=f"i-{n}", room="hall" if n % 2 else "cellar", opened_ms=n * 100, closed_ms=None if n > 3 else 1
        )
        for n in range(6)
    ]
    with store.transaction() as work:
        for one in many:
            work.put_incident(one, at_ms=1, by=WATCH)

    def ids(**wanted: object) -> list[str]:
        return [incident.id for incident in store.read.incidents(**wanted)]

    assert ids() == ["i-5", "i-4", "i-3", "i-2", "i-1", "i-0"]
    assert ids(room="hall") == ["i-5", "i-3", "i-1"]
    assert ids(only_open=True) == ["i-5", "i-4"]
    assert ids(only_open=True, room="cellar") == ["i-4"]
    assert ids(before_ms=300, limit=2) == ["i-2", "i-1"]


def fill(path) -> None:
    """Make a store with four entries in its record."""
    with SqliteStore.open(path) as store, store.transaction() as work:
        work.save_site(SITE, at_ms=1, by=SETTINGS)
        work.put_incident(INCIDENT, at_ms=2, by=WATCH)
        work.put_incident(replace(INCIDENT, closed_ms=9_000), at_ms=3, by=WATCH)
        work.save_site(replace(SITE, name="Mühlgasse 5"), at_ms=4, by=Actor(Where.PAGE, "anna"))


def test_an_ordinary_edit_is_refused_by_the_file_itself(path) -> None:
    """Another program that changes or deletes an entry is told that records are only added to."""
    fill(path)
    with plain_sqlite(path) as connection:
        for statement in ("UPDATE record SET by = 'nobody' WHERE number = 2", "DELETE FROM record WHERE number = 2"):
            with pytest.raises(sqlite3.IntegrityError, match="records are only added to"):
                connection.execute(statement)
    assert check_integrity(path) == []


@pytest.mark.parametrize(
    ("edit", "fault"),
    [
        ("UPDATE record SET body = replace(body, '50', '70') WHERE number = 2", "entry 2 (incident i-1) was changed"),
        ("UPDATE record SET by = 'someone' WHERE number = 1", "entry 1 (site ) was changed"),
        ("UPDATE record SET at_ms = 0 WHERE number = 4", "entry 4 (site ) was changed"),
        ("UPDATE record SET hash = previous WHERE number = 3", "entry 4 does not follow from entry 3"),
        ("DELETE FROM record WHERE number = 2", "entries 2 to 2 are missing"),
    ],
)
def test_a_quiet_edit_shows(path, edit, fault) -> None:
    """Somebody who takes the guards off and edits the past with plain SQL is found out, and the entry named."""
    fill(path)
    with plain_sqlite(path) as connection:
        connection.execute("DROP TRIGGER record_keeps")
        connection.execute("DROP TRIGGER record_stays")
        connection.execute(edit)
    assert any(fault in sentence for sentence in check_integrity(path))


def test_a_forged_entry_shows_in_the_ones_after_it(path) -> None:
    """An entry that was rewritten together with its own hash no longer carries the next one."""
    fill(path)
    with plain_sqlite(path) as connection:
        connection.execute("DROP TRIGGER record_keeps")
        row = connection.execute(
            "SELECT at_ms, kind, number, previous, subject FROM record WHERE number = 2"
        ).fetchone()
        covered = dict(zip(("at_ms", "kind", "number", "previous", "subject"), row, strict=True))
        covered |= {"body": '{"id":"i-1"}', "by": "watch"}
        forged = hashlib.sha256(canonical_json(covered).encode()).hexdigest()
        connection.execute("UPDATE record SET body = ?, hash = ? WHERE number = 2", (covered["body"], forged))
    assert check_integrity(path) == [
        "trigger record_keeps: it is missing",
        "record: entry 3 does not follow from entry 2",
    ]


def test_the_head_pins_the_whole(path) -> None:
    """The documented hash, worked out here with nothing but hashlib and json over the file, ends in the head."""
    fill(path)
    with plain_sqlite(path) as connection:
        rows = connection.execute(
            "SELECT number, kind, subject, at_ms, by, body FROM record ORDER BY number"
        ).fetchall()
    previous = "0" * 64
    for number, kind, subject, at_ms, by, body in rows:
        covered = {
            "number": number,
            "kind": kind,
            "subject": subject,
            "at_ms": at_ms,
            "by": by,
            "body": body,
            "previous": previous,
        }
        text = json.dumps(covered, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        previous = hashlib.sha256(text.encode("utf-8")).hexdigest()
    with SqliteStore.open(path, read_only=True) as store:
        assert store.read.record_head() == (4, previous)


NAMES = st.text(max_size=20)
ENDS = st.one_of(st.none(), st.floats(0, 40)), st.one_of(st.none(), st.floats(41, 100))
WINDOWS = st.builds(
    AcclimationWindow, rh_percent=st.tuples(*ENDS).filter(lambda e: e != (None, None)).map(lambda e: Bounds(*e))
)
SITES = st.builds(
    Site,
    name=NAMES,
    elevation_m=st.floats(-400, 5000),
    rooms=st.lists(st.builds(Room, id=NAMES, title=NAMES, window=st.none() | WINDOWS), max_size=3).map(tuple),
    sensors=st.lists(st.builds(Sensor, id=NAMES, room=NAMES, place=st.sampled_from(Place)), max_size=3).map(tuple),
)


@settings(max_examples=100)
@given(site=SITES)
def test_any_site_survives_json(site: Site) -> None:
    """To plain values, to canonical JSON and back is the same site."""
    assert from_plain(Site, json.loads(canonical_json(to_plain(site)))) == site


def test_an_entry_of_an_older_or_newer_edition_can_be_read() -> None:
    """A field that was not yet there takes its default, one that is not known is passed over."""
    assert from_plain(Sensor, {"id": "s", "room": "r", "colour": "green"}) == Sensor("s", "r")
