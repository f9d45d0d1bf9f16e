"""What people do about incidents: each action in the record, never undone by the watch, no quiet edit unnoticed."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from ingest.errors import RefusedError
from ingest.site.actor import WATCH, Actor, Where
from ingest.site.handling import Action, Asked, Handling, Life, life
from ingest.site.incidents import Incident, IncidentKind
from ingest.store.api import UnitOfWork
from ingest.store.file.integrity import check_integrity
from ingest.store.record.kinds import HANDLING
from ingest.store.sqlite_store import SqliteStore
from ingest.watch import handling
from ingest.watch.journal import journal

ANNA = Actor(Where.PAGE, "Anna")
OPEN = Incident("i", "oak", "a", IncidentKind.WINDOW, 1_000, 1_500, "damp")
HOUR_MS = 3_600_000


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """A store with one incident that goes on."""
    with SqliteStore.open(tmp_path / "lumberroom.sqlite3") as made:
        with made.transaction() as work:
            work.put_incident(OPEN, at_ms=2_000, by=WATCH)
        yield made


def done(
    store: SqliteStore, action: Action, now_ms: int, by: str = "Anna", note: str = "", until_ms: int = 0
) -> Handling:
    """Do something and give where people stand then."""
    with store.transaction() as work:
        return handling.carry_out(
            work, Asked("i", action, Actor(Where.PAGE, by), note, until_ms or None), now_ms=now_ms
        )


def stands(store: SqliteStore, now_ms: int) -> Life:
    """Say where the incident stands."""
    [found] = store.read.incidents()
    return life(found, store.read.nouns(HANDLING, ["i"]).get("i"), now_ms)


def test_a_life_from_opening_to_over(store: SqliteStore) -> None:
    """Open, acknowledged, quiet, no longer quiet when the time is up, closed manually, open again, over by the air."""
    assert stands(store, 2_500) is Life.ACTIVE
    done(store, Action.ACKNOWLEDGED, 3_000)
    assert stands(store, 3_000) is Life.ACKNOWLEDGED
    done(store, Action.MUTED, 4_000, until_ms=4_000 + HOUR_MS)
    assert (stands(store, 5_000), stands(store, 4_000 + HOUR_MS)) == (Life.MUTED, Life.ACKNOWLEDGED)
    done(store, Action.UNMUTED, 5_000)
    assert stands(store, 5_000) is Life.ACKNOWLEDGED
    done(store, Action.CLOSED, 6_000, by="Ben", note="drying on purpose")
    assert stands(store, 6_000) is Life.CLOSED_MANUALLY
    with store.transaction() as work:
        work.put_incident(replace(OPEN, worst_value=70.0), at_ms=6_500, by=WATCH)
    assert stands(store, 6_500) is Life.CLOSED_MANUALLY  # the watch's next word opens nothing
    done(store, Action.REOPENED, 7_000, by="Ben")
    assert stands(store, 7_000) is Life.ACKNOWLEDGED
    with store.transaction() as work:
        work.put_incident(replace(OPEN, closed_ms=8_000), at_ms=8_000, by=WATCH)
    assert stands(store, 9_000) is Life.ENDED
    assert done(store, Action.NOTED, 9_000, note="it was the humidifier").note == "it was the humidifier"
    assert [entry.body["action"] for entry in store.read.history("handling", "i")] == [
        *("acknowledged", "muted", "unmuted", "closed", "reopened", "noted")
    ]


def test_the_journal_has_states_and_actions_in_order(store: SqliteStore) -> None:
    """One line for each entry, with who, what, the words that were left, and the hash that pins it."""
    done(store, Action.ACKNOWLEDGED, 3_000, note="on my way")
    with store.transaction() as work:
        work.put_incident(replace(OPEN, worst_value=70.0), at_ms=3_500, by=WATCH)
        work.put_incident(replace(OPEN, worst_value=70.0, closed_ms=4_000), at_ms=4_000, by=WATCH)
    done(store, Action.NOTED, 5_000, by="Ben", note="door repaired")
    read = store.read
    lines = journal(read.history("incident", "i"), read.history("handling", "i"), "UTC")
    assert [(line.by, line.what, line.note, line.is_news) for line in lines] == [
        ("the watch", "Opened, serious.", "", True),
        ("Anna, on a page", "Acknowledged.", "on my way", True),
        ("the watch", "Figures brought up to date.", "", False),
        ("the watch", "Over.", "", True),
        ("Ben, on a page", "Note.", "door repaired", True),
    ]
    assert lines[-1].hash == read.record_head()[1]


Refused = Callable[[UnitOfWork], Handling]


@pytest.mark.parametrize(
    ("does", "says"),
    [
        (lambda w: handling.acknowledge(w, "x", by=ANNA, now_ms=3_000), "no such incident"),
        (lambda w: handling.acknowledge(w, "i", by=Actor(Where.PAGE, " \u202e\n"), now_ms=3_000), "who does this"),
        (lambda w: handling.mute(w, "i", until_ms=3_000, by=ANNA, now_ms=3_000), "past"),
        (
            lambda w: handling.mute(w, "i", until_ms=400 * 86_400_000, by=ANNA, now_ms=3_000),
            "too long",
        ),
        (lambda w: handling.unmute(w, "i", by=ANNA, now_ms=3_000), "nobody muted alerts"),
        (
            lambda w: handling.close(w, "i", by=ANNA, reason="\x00 \n", now_ms=3_000),
            "needs a reason",
        ),
        (lambda w: handling.reopen(w, "i", by=ANNA, now_ms=3_000), "nobody has closed"),
        (lambda w: handling.leave_note(w, "i", by=ANNA, note="", now_ms=3_000), "empty"),
        (lambda w: handling.carry_out(w, Asked("i", Action.MUTED, ANNA), now_ms=3_000), "until when"),
    ],
)
def test_what_makes_no_sense_is_refused_and_leaves_no_trace(store: SqliteStore, does: Refused, says: str) -> None:
    """Each refusal says why, and the record stays as it was."""
    before = store.read.record_head()
    with pytest.raises(RefusedError, match=says), store.transaction() as work:
        does(work)
    assert store.read.record_head() == before


def test_what_is_over_or_closed_is_not_closed_again(store: SqliteStore) -> None:
    """Closed manually it takes no mute and no second closing; over it takes a note and nothing else."""
    done(store, Action.CLOSED, 3_000, note="on purpose")
    for action in (Action.CLOSED, Action.MUTED):
        with pytest.raises(RefusedError, match="closed manually already"):
            done(store, action, 4_000, note="again", until_ms=9_000)
    with store.transaction() as work:
        work.put_incident(replace(OPEN, closed_ms=5_000), at_ms=5_000, by=WATCH)
    for action in (Action.CLOSED, Action.REOPENED):
        with pytest.raises(RefusedError, match="over"):
            done(store, action, 6_000, note="again")


def test_words_are_kept_as_words(store: SqliteStore) -> None:
    """Control characters and what turns the reading direction go; lines and letters of any script stay."""
    kept = done(store, Action.NOTED, 3_000, by="Zoë\n Ö.", note="first\r\nsecond\x1b[31m \u202eevil \u06a9\u200c\u06a9")
    assert kept.note == "first\nsecond[31m evil \u06a9\u200c\u06a9"
    assert store.read.history("handling", "i")[0].by == "page Zoë Ö."


@pytest.mark.parametrize(
    ("meddling", "says"),
    [
        ("UPDATE record SET by = 'Ben' WHERE number = 2", "entry 2 (handling i) was changed after it was written"),
        ("UPDATE record SET at_ms = 1 WHERE number = 2", "entry 2 (handling i) was changed after it was written"),
        ("DELETE FROM record WHERE number = 2", "entries 2 to 2 are missing"),
    ],
)
def test_a_quiet_edit_of_what_people_did_is_found(store: SqliteStore, meddling: str, says: str) -> None:
    """Who did what, and when, cannot be changed without `doctor` naming the entry."""
    done(store, Action.ACKNOWLEDGED, 3_000)
    done(store, Action.CLOSED, 4_000, note="on purpose")
    path = store.path
    store.close()
    assert check_integrity(path) == []
    with sqlite3.connect(path) as connection:
        connection.execute("DROP TRIGGER record_keeps")
        connection.execute("DROP TRIGGER record_stays")
        connection.execute(meddling)
    connection.close()
    assert any(says in fault for fault in check_integrity(path))


def test_a_withdrawn_incident_is_no_fault(store: SqliteStore) -> None:
    """What late readings took back stands in the record alone, and the store is sound."""
    with store.transaction() as work:
        work.put_incident(replace(OPEN, closed_ms=3_000, withdrawn_ms=3_000), at_ms=3_000, by=WATCH)
    path = store.path
    store.close()
    assert check_integrity(path) == []
