"""The feed of changes: everything that was stored or amended, in the order of commit, once somebody follows."""

from __future__ import annotations

import contextlib
import sqlite3

import pytest

from ingest.site.series import SeriesKey
from ingest.store.forwarding import SetAside
from ingest.store.integrity import check_integrity


def all_changes(store, *, at_once: int = 3) -> list[tuple[str, int, float, int]]:
    """Follow the feed to its end in small steps."""
    found, after = [], 0
    while len(some := store.read.changes(after, at_once)):
        names = [some.keys[index].quantity for index in some.key_index]
        found += zip(names, some.at_ms.tolist(), some.value.tolist(), some.revision.tolist(), strict=True)
        assert some.reached > after
        after = some.reached
    assert after == store.read.changed_until()
    return found


def test_nothing_is_noted_until_somebody_follows(store, put, path) -> None:
    """A site without a central engine has no such table and pays nothing."""
    put([1000], [20.0])
    with contextlib.closing(sqlite3.connect(path)) as plain:
        assert plain.execute("SELECT count(*) FROM sqlite_schema WHERE name = 'change'").fetchone() == (0,)


def test_late_repeated_and_amended_readings_come_in_the_order_of_commit(store, put) -> None:
    """A late reading comes last though its instant is first, a repeated one not again, an amended one as it stands."""
    with store.transaction() as work:
        work.follow_changes()
    put([3000, 4000], [20.0, 21.0])
    put([1000], [18.0])
    put([3000], [20.0])
    put([4000], [25.0])
    assert all_changes(store) == [
        ("temperature_c", 3000, 20.0, 0),
        ("temperature_c", 4000, 25.0, 1),
        ("temperature_c", 1000, 18.0, 0),
        ("temperature_c", 4000, 25.0, 1),
    ]


def test_the_past_comes_first_oldest_day_first(store, put) -> None:
    """What was stored before anybody followed is there too, day by day across all series, amendments counted."""
    day = 86_400_000
    put([0, 1000, day], [1.0, 2.0, 3.0])
    put([1000], [9.0])
    put([500, day + 5], [40.0, 41.0], quantity="rh_percent")
    with store.transaction() as work:
        work.follow_changes()
        work.follow_changes()  # a second start changes nothing
    put([2 * day], [4.0])
    assert all_changes(store) == [
        ("temperature_c", 0, 1.0, 0),
        ("temperature_c", 1000, 9.0, 1),
        ("rh_percent", 500, 40.0, 0),
        ("temperature_c", day, 3.0, 0),
        ("rh_percent", day + 5, 41.0, 0),
        ("temperature_c", 2 * day, 4.0, 0),
    ]


def test_a_unit_that_is_rolled_back_leaves_no_note(store, batch, put) -> None:
    """Notes are committed with their readings or not at all."""
    with store.transaction() as work:
        work.follow_changes()
    with pytest.raises(RuntimeError), store.transaction() as work:  # noqa: PT012
        work.append(batch([1000], [20.0]), heard_ms=0)
        raise RuntimeError
    assert store.read.changed_until() == 0
    put([2000], [20.0])
    assert [at for _, at, _, _ in all_changes(store)] == [2000]


def test_what_is_forgotten_does_not_come_again_and_numbers_go_on(store, put, path) -> None:
    """The position is saved and its notes dropped in one unit; numbers are never used twice; the file stays sound."""
    with store.transaction() as work:
        work.follow_changes()
    put([1000, 2000], [20.0, 21.0])
    with store.transaction() as work:
        work.save_forwarding("central", {"oldest": 2}, forget_upto=2)
    assert len(store.read.changes(0, 10)) == 0
    assert store.read.forwarding("central") == {"oldest": 2}
    put([3000], [22.0])
    assert store.read.changed_until() == 3
    assert store.read.changes(2, 10).at_ms.tolist() == [3000]
    assert check_integrity(path) == []


def test_what_was_refused_is_kept_and_taken_back(store) -> None:
    """Set aside with the server's words, newest refusal first; taken back when it is accepted after all."""
    one = SetAside(SeriesKey("a", "rh_percent"), 1, 50.0, 0, "no", 10)
    two = SetAside(SeriesKey("b", "rh_percent"), 2, 51.0, 1, "never", 20)
    with store.transaction() as work:
        work.follow_changes()
        work.put_aside([one, two])
        work.put_aside([one._replace(said="still no")])
    assert store.read.set_aside() == [two, one._replace(said="still no")]
    with store.transaction() as work:
        work.take_back([two])
    assert store.read.count_aside() == 1
