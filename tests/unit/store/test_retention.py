"""Retention: readings go by a rule, never before their time; statistics stay, and late readings join them rightly."""

import contextlib
import sqlite3
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from ingest.errors import SettingsError
from ingest.site.series import Buckets, ReadingBatch, SeriesKey
from ingest.store.api import Appended
from ingest.store.file.integrity import check_integrity
from ingest.store.series import retention
from ingest.store.series.retention import Rule
from ingest.store.series.thinned import TooLate
from ingest.store.sqlite_store import SqliteStore

MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR
KEYS = (SeriesKey("attic", "temperature_c"), SeriesKey("attic", "rh_percent"))
DEW = SeriesKey("attic", "dew_point_c")
RULE = Rule(keep_days=30)
HOURS = np.arange(0, 40 * DAY, HOUR)


def air(begin: int, end: int) -> ReadingBatch:
    """Temperature and humidity each minute of a stretch, the same ones whenever they are made."""
    at_ms = np.arange(begin, end, MINUTE, dtype=np.int64)
    wave, count = np.sin(at_ms / 1e7), len(at_ms)
    value = np.round(np.concatenate([20 + wave, 45 - 5 * wave]), 2)
    both = np.repeat(np.arange(2, dtype=np.int32), count)
    return ReadingBatch(KEYS, both, np.tile(at_ms, 2), value, np.zeros(2 * count, np.bool_))


def put(store: SqliteStore, *stretches: tuple[int, int], heard_ms: int = 7) -> list[Appended]:
    """Store stretches, each in a unit of work of its own."""
    done = []
    for begin, end in stretches:
        with store.transaction() as work:
            done.append(work.append(air(begin, end), heard_ms=heard_ms))
    return done


def thin_all(store: SqliteStore, now_ms: int = 90 * DAY, **limits: int) -> int:
    """Thin until there is nothing more to thin; give how many chunks went."""
    gone = 0
    while some := store.thin(RULE, now_ms=now_ms, **limits):
        gone += some
    return gone


@pytest.fixture
def whole(tmp_path: Path) -> Callable[..., SqliteStore]:
    """Make a store in which stretches were kept all the time: what the statistics should be."""

    def make(*stretches: tuple[int, int]) -> SqliteStore:
        made = SqliteStore.open(tmp_path / "whole.sqlite3")
        put(made, *stretches)
        made.settle()
        return made

    return make


def same(got: Buckets, true: Buckets, which: slice | np.ndarray) -> None:
    """Hold counts, extremes and means of some buckets to each other."""
    np.testing.assert_array_equal(got.count[which], true.count[which])
    np.testing.assert_array_equal(got.minimum[which], true.minimum[which])
    np.testing.assert_array_equal(got.maximum[which], true.maximum[which])
    np.testing.assert_allclose(got.mean[which], true.mean[which], rtol=1e-12)


@pytest.mark.parametrize("settled_between", [True, False], ids=["settled", "staged"])
@pytest.mark.parametrize("late_end", [20 * DAY, 20 * DAY - 30 * MINUTE], ids=["whole", "a part"])
def test_what_a_sensor_remembered_of_an_outage_joins_the_statistics(store, whole, settled_between, late_end) -> None:
    """Ten days out of reach, thinned meanwhile, then a sensor gives its memory in two parts: as if never thinned.

    Late readings may not join the two hours in which the outage began and ended: those are told, and told apart.
    """
    outage, back = 10 * DAY + 20 * MINUTE, 20 * DAY + 20 * MINUTE
    put(store, (0, outage), (back, 90 * DAY))
    store.settle()
    assert thin_all(store) > 0
    first, second = put(store, (outage, 15 * DAY)), put(store, (15 * DAY, late_end))
    if settled_between:
        store.settle()
    again = put(store, (12 * DAY, 13 * DAY))
    assert first[0] == Appended((5 * DAY - 20 * MINUTE) // MINUTE * 2 - 80, 0, 0, 80)
    assert second[0].too_late == 0
    assert again == [Appended(0, 2 * 1440, 0)]
    true = whole((0, outage), (outage + 40 * MINUTE, late_end), (back, 90 * DAY))
    for moment in range(2):
        for key in KEYS:
            same(store.read.buckets(key, HOURS), true.read.buckets(key, HOURS), slice(None))
        store.settle()
        if moment == 0:
            thin_all(store)  # the late ones go as well, when their time has come
    day = slice(11 * 24, 19 * 24)
    same(store.read.buckets(DEW, HOURS[::8]), true.read.buckets(DEW, HOURS[::8]), slice(11 * 3, 19 * 3))
    assert store.read.buckets(KEYS[0], HOURS).coverage[day].min() == 1.0
    assert check_integrity(store.path) == []
    true.close()


def test_derived_statistics_stay_where_a_part_of_their_hours_is_final(store, whole) -> None:
    """A derived cell of eight hours, seven of which come late, keeps what it said: nothing is replaced or doubled."""
    put(store, (0, DAY + HOUR), (DAY + 8 * HOUR, 90 * DAY))
    store.settle()
    before = store.read.buckets(DEW, HOURS[::8])
    thin_all(store)
    put(store, (DAY + HOUR, DAY + 8 * HOUR))
    store.settle()
    after = store.read.buckets(DEW, HOURS[::8])
    same(after, before, slice(None))
    assert store.read.buckets(KEYS[1], HOURS).count[24:32].tolist() == [60] * 8
    assert check_integrity(store.path) == []


def test_what_comes_too_late_is_not_taken_and_told(store, path) -> None:
    """A repeated, an amended and a new reading in a thinned hour change nothing: they are counted, and stay counted."""
    put(store, (0, 90 * DAY))
    store.settle()
    edges = {key: HOURS[::8] if key is DEW else HOURS for key in (*KEYS, DEW)}
    before = [store.read.buckets(key, edges[key]) for key in edges]
    thin_all(store)
    odd = ReadingBatch(
        (KEYS[0],),
        np.zeros(3, np.int32),
        np.array([5 * DAY, 5 * DAY + 1, 6 * DAY]),
        np.array([99.0, 98.0, 20.0]),
        np.zeros(3, np.bool_),
    )
    with store.transaction() as work:
        assert work.append(odd, heard_ms=77) == Appended(0, 0, 0, 3)
    store.settle()
    for key, true in zip(edges, before, strict=True):
        same(store.read.buckets(key, edges[key]), true, slice(None))
    store.close()
    with SqliteStore.open(path) as again:
        assert again.read.too_late() == [TooLate("attic", 3, 5 * DAY, 6 * DAY, 77)]
        assert again.read.extents()[0].count == 90 * 1440
    assert check_integrity(path) == []


def test_what_went_by_a_rule_is_no_gap(store) -> None:
    """Before and after thinning the same outage is the gap, to the hour; nothing else is."""
    put(store, (0, 10 * DAY), (12 * DAY, 90 * DAY))
    store.settle()
    assert [(gap.from_ms, gap.to_ms) for gap in store.read.gaps(KEYS[0], 0, 89 * DAY)] == [
        (10 * DAY + 2 * MINUTE, 12 * DAY)
    ]
    thin_all(store)
    gaps = store.read.gaps(KEYS[0], 0, 89 * DAY)
    assert [(gap.from_ms, gap.to_ms) for gap in gaps] == [(10 * DAY + HOUR, 12 * DAY)]
    fine = store.read.buckets(KEYS[0], np.arange(DAY, 2 * DAY, 5 * MINUTE))
    assert fine.coverage.max() == 1.0
    assert int(fine.count.sum()) == 1440


def test_nothing_goes_that_a_reader_along_has_not_taken_over(store) -> None:
    """While a forwarder is behind, its changes and the two days before them stay, imported stretches among them."""
    put(store, (0, 20 * DAY))
    with store.transaction() as work:
        work.follow_changes("central", through=store.read.newest_change())
    put(store, (20 * DAY, 90 * DAY), (95 * DAY, 95 * DAY + HOUR))
    store.settle()
    thin_all(store, now_ms=190 * DAY)
    left = store.read.read(KEYS[0], 0, 200 * DAY)
    assert left.at_ms[0] <= 18 * DAY
    assert len(left) >= 72 * 1440 + 60
    changes = store.read.changes(store.read.newest_change() - 1, 10**6)
    assert len(changes.at_ms) == 120
    with store.transaction() as work:
        work.follow_changes("central", through=store.read.newest_change())
    thin_all(store, now_ms=190 * DAY)
    assert len(store.read.read(KEYS[0], 0, 200 * DAY)) < 60


def test_nothing_goes_from_the_instant_on_that_is_named(store) -> None:
    """What was stored before an engine was wired goes out by its instants: nothing from there on."""
    put(store, (0, 90 * DAY))
    store.settle()
    assert thin_all(store, now_ms=190 * DAY, not_from_ms=0) == 0
    thin_all(store, now_ms=190 * DAY, not_from_ms=50 * DAY)
    assert store.read.read(KEYS[0], 0, 90 * DAY).at_ms[0] <= 48 * DAY
    assert thin_all(store, now_ms=190 * DAY) > 0


def test_what_came_while_it_was_looked_through_is_still_wanted(store) -> None:
    """An answer is brought up to date by what came since, and begun anew when everything is taken over."""
    with store.transaction() as work:
        work.follow_changes("central", through=store.read.newest_change())
    put(store, (50 * DAY, 50 * DAY + HOUR))
    with store.transaction() as work:
        first = retention.wanted(work.view.connection)
        assert first.from_ms == 50 * DAY
        work.append(air(10 * DAY, 10 * DAY + HOUR), heard_ms=1)
        assert retention.wanted(work.view.connection, first).from_ms == 10 * DAY
        work.follow_changes("central", through=store.read.newest_change() + 1)
        assert retention.wanted(work.view.connection).from_ms is None


@pytest.mark.parametrize("days", [-1, 0, 7, 29, 36_526])
def test_an_absurd_rule_is_refused(days: int) -> None:
    """Less than thirty days would thin what is still being judged; more than a century is a slip of the keyboard."""
    with pytest.raises(SettingsError, match="at least 30 days; to keep them for ever, say nothing"):
        Rule(keep_days=days)


def test_a_damaged_chunk_that_is_thinned_is_known_as_thinned(store) -> None:
    """Its head unreadable, its bytes set aside: counts still fit, and nothing joins its final hours a second time."""
    put(store, (0, 90 * DAY))
    store.settle()
    before = [store.read.buckets(key, HOURS) for key in KEYS]
    with contextlib.closing(sqlite3.connect(store.path)) as other, other:
        (first,) = other.execute("SELECT min(from_ms) FROM chunk").fetchone()
        (body,) = other.execute("SELECT body FROM chunk WHERE from_ms = ?", (first,)).fetchone()
        other.execute("UPDATE chunk SET body = ? WHERE from_ms = ?", (b"\xff" + body[1:], first))
    assert thin_all(store) > 0
    (late,) = put(store, (0, DAY))
    assert late.stored == 0
    assert late.too_late == 2 * 1440
    for key, true in zip(KEYS, before, strict=True):
        same(store.read.buckets(key, HOURS), true, slice(None))
    assert check_integrity(store.path) == []
