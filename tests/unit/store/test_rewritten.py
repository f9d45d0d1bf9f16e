"""Whose past was written into: told by the store that writes, so that what was computed may be kept."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from adapters.contract import Reading, Stamp
from ingest.site.series import ReadingBatch
from ingest.store.api import RewriteReader
from ingest.store.series.view import Rewritings
from ingest.store.sqlite_store import SqliteStore

T_MS = 1_700_000_000_000


def write(store: SqliteStore, *readings: tuple[str, int, float]) -> None:
    """Store RH readings (sensor, seconds after the beginning, value) in one unit of work."""
    made = [Reading(who, "rh_percent", value, T_MS + at_s * 1000, Stamp.SENSOR) for who, at_s, value in readings]
    with store.transaction() as work:
        work.append(ReadingBatch.of(made), heard_ms=T_MS)


@pytest.fixture
def filled(tmp_path: Path) -> Iterator[SqliteStore]:
    """A store with two sensors' hour."""
    store = SqliteStore.open(tmp_path / "x.sqlite3")
    for minute in range(60):
        write(store, ("a", minute * 60, 40.0), ("b", minute * 60, 50.0))
    yield store
    store.close()


def test_what_only_goes_on_leaves_the_past_alone(filled):
    """Readings newer than their series' last, and the work that follows in the background, are no rewriting."""
    assert isinstance(filled.read, RewriteReader)
    mark, _ = filled.read.rewritten(0)
    write(filled, ("a", 3600, 41.0), ("a", 3660, 41.5), ("new", 0, 60.0))
    filled.settle()
    assert filled.read.rewritten(mark) == (mark, {})


def test_late_and_corrected_readings_are_told_with_their_earliest_instant(filled):
    """By sensor, from when on: also after they were sealed, and once only for who asks on from the mark."""
    mark, _ = filled.read.rewritten(0)
    write(filled, ("a", 1830, 44.0), ("a", 930, 43.0), ("b", 3600, 50.0))
    write(filled, ("b", 600, 55.0))
    filled.settle()
    then, earliest = filled.read.rewritten(mark)
    assert earliest == {"a": T_MS + 930_000, "b": T_MS + 600_000}
    assert filled.read.rewritten(then) == (then, {})


def test_a_large_import_into_the_past_is_told(filled):
    """What goes straight into chunks is no exception."""
    mark, _ = filled.read.rewritten(0)
    write(filled, *(("a", -at_s, 45.0) for at_s in range(1, 20_001)))
    assert filled.read.rewritten(mark).earliest_ms == {"a": T_MS - 20_000_000}


def test_what_was_rolled_back_is_not_told(filled):
    """Only a committed unit of work has written anything."""
    mark, _ = filled.read.rewritten(0)
    with contextlib.suppress(ZeroDivisionError), filled.transaction() as work:
        work.append(ReadingBatch.of([Reading("a", "rh_percent", 1.0, T_MS, Stamp.SENSOR)]), heard_ms=T_MS)
        raise ZeroDivisionError
    assert filled.read.rewritten(mark) == (mark, {})


def test_who_only_reads_does_not_know(filled, tmp_path):
    """Another process may be writing: anything may have changed."""
    with SqliteStore.open(tmp_path / "x.sqlite3", read_only=True) as other:
        assert other.read.rewritten(0).earliest_ms is None


def test_notes_that_were_let_go_of_are_not_passed_over_in_silence():
    """Who asks from further back than is known hears that anything may have changed."""
    notes = Rewritings(most=2)
    for number in range(3):
        notes.note({f"s{number}": number})
    assert notes.since(0) == (3, None)
    assert notes.since(1) == (3, {"s1": 1, "s2": 2})
    notes.note({"s2": -5})
    assert notes.since(2) == (4, {"s2": -5})
