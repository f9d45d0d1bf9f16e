"""A noun with a history costs a dataclass and a row: entries, states, taking away, undoing and listing follow."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from ingest.errors import RefusedError
from ingest.site.actor import Actor, Where
from ingest.store.record.kinds import KINDS, RecordKind
from ingest.store.sqlite_store import SqliteStore

MARA, BEN = Actor(Where.PAGE, "Mara"), Actor(Where.COMMAND, "Ben")


@dataclass(frozen=True, slots=True)
class Delivery:
    """A noun of this test's own: wood that came to a room."""

    room: str
    at_ms: int
    boards: int
    remark: str = ""


DELIVERY = RecordKind("delivery", Delivery, lambda one: f"{one.room}/{one.at_ms:015}")
OAK = Delivery("oak-store", 1_000, 40)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """A real store."""
    with SqliteStore.open(tmp_path / "lumberroom.sqlite3") as opened:
        yield opened


def test_a_noun_is_put_found_and_keeps_what_it_was(store: SqliteStore) -> None:
    """Each change is one entry of the log with who made it; the same again is none; newest and history agree."""
    with store.transaction() as work:
        first = work.put(DELIVERY, OAK, at_ms=5, by=MARA)
        assert work.put(DELIVERY, OAK, at_ms=6, by=BEN) is None
        second = work.put(DELIVERY, replace(OAK, boards=38, remark="two split"), at_ms=7, by=BEN)
    subject = DELIVERY.subject(OAK)
    assert store.read.nouns(DELIVERY) == {subject: Delivery("oak-store", 1_000, 38, "two split")}
    states = store.read.versions(DELIVERY, subject)
    assert [(one.number, one.at_ms, one.by, one.state.boards if one.state else None) for one in states] == [
        (first, 5, MARA, 40),
        (second, 7, BEN, 38),
    ]


def test_taking_away_and_undoing_are_changes_too(store: SqliteStore) -> None:
    """What is taken away is not found and its history stays; undoing gives back what was, and undone again undoes."""
    subject = DELIVERY.subject(OAK)
    with store.transaction() as work:
        work.put(DELIVERY, OAK, at_ms=1, by=MARA)
        work.remove(DELIVERY, subject, at_ms=2, by=MARA)
        with pytest.raises(RefusedError, match="no such delivery"):
            work.remove(DELIVERY, subject, at_ms=3, by=MARA)
    assert store.read.nouns(DELIVERY) == {}
    with store.transaction() as work:
        assert work.undo(DELIVERY, subject, at_ms=4, by=BEN) == OAK
    assert store.read.nouns(DELIVERY, [subject]) == {subject: OAK}
    with store.transaction() as work:
        assert work.undo(DELIVERY, subject, at_ms=5, by=BEN) is None
        with pytest.raises(RefusedError):
            work.undo(DELIVERY, "nowhere", at_ms=6, by=BEN)
    assert [one.state for one in store.read.versions(DELIVERY, subject)] == [OAK, None, OAK, None]


def test_nouns_are_listed_by_the_beginning_of_their_subject(store: SqliteStore) -> None:
    """A room's alone, in order of time; a name that another's begins with is not mistaken for it."""
    made = [Delivery(room, at_ms, 1) for room in ("oak", "oak-store", "ash", "öl") for at_ms in (30, 7, 200)]
    with store.transaction() as work:
        for one in made:
            work.put(DELIVERY, one, at_ms=1, by=MARA)
    assert [one.at_ms for one in store.read.nouns(DELIVERY, beginning="oak/").values()] == [7, 30, 200]
    assert [one.at_ms for one in store.read.nouns(DELIVERY, beginning="öl/").values()] == [7, 30, 200]
    assert len(store.read.nouns(DELIVERY, beginning="oak")) == 6
    assert len(store.read.nouns(DELIVERY)) == len(made)


def test_what_was_rolled_back_left_no_entry(store: SqliteStore) -> None:
    """A change is part of its unit of work: with it, it is there or not."""
    with pytest.raises(ZeroDivisionError), store.transaction() as work:  # noqa: PT012 -- the put is what is rolled back
        work.put(DELIVERY, OAK, at_ms=1, by=MARA)
        _ = 1 / 0
    assert store.read.nouns(DELIVERY) == {}


def test_every_kind_has_a_name_of_its_own() -> None:
    """The registry that history and export go through."""
    assert set(KINDS) >= {"site", "handling"}
    assert all(kind.name == name for name, kind in KINDS.items())
