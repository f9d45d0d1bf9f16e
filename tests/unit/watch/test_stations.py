"""The station's own incidents: how bad they are, told as one where they are one, and short in the record."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.site.incidents import Incident, IncidentKind, Severity
from ingest.site.places import Site
from ingest.site.rules import StationRules
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.stations import AdapterFact, StationFacts, StationWatch

T0_MS = 1_795_564_800_000
MINUTE_MS = 60_000
SITE = Site("An invented site", rules=StationRules(adapter_down_minutes=10.0, disk_free_mb=500.0))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """Open a store of its own."""
    with SqliteStore.open(tmp_path / "lumberroom.sqlite3") as opened:
        yield opened


def judged(store: SqliteStore, watch: StationWatch, minute: int, facts: StationFacts) -> list[Incident]:
    """Judge facts at a minute."""
    with store.transaction() as work:
        return watch.judge(work, SITE, facts, now_ms=T0_MS + minute * MINUTE_MS)


def down(minutes: float) -> StationFacts:
    """Give a station of which two adapters have been down for so long."""
    return StationFacts(1e6, (AdapterFact("bus", minutes * 60), AdapterFact("radio", minutes * 60)), 900_000_000)


def test_adapters_down_together_are_told_with_their_one_cause(store: SqliteStore) -> None:
    """Two adapters that go down at once are two serious incidents of one cause, in what is told as in the store."""
    told = judged(store, StationWatch(), 0, down(11))
    assert [(one.sensor, one.kind, one.severity) for one in told] == [
        ("bus", IncidentKind.ADAPTER, Severity.SERIOUS),
        ("radio", IncidentKind.ADAPTER, Severity.SERIOUS),
    ]
    assert len({one.cause for one in told}) == 1
    assert told[0].cause
    assert [store.read.incident(one.id) for one in told] == told


def test_an_adapter_down_for_a_fortnight_does_not_fill_the_record(store: SqliteStore) -> None:
    """It is told as it opens and closes, written as its time doubles, and shows its whole time in the end."""
    watch, told = StationWatch(), list[Incident]()
    last = 14 * 1440
    for minute in range(0, last, 15):
        told += judged(store, watch, minute, down(11 + minute))
    told += judged(store, watch, last, down(0))
    assert [(one.sensor, one.is_open) for one in told] == [
        ("bus", True), ("radio", True), ("bus", False), ("radio", False)
    ]  # fmt: skip
    assert told[2].worst_value == 11 + last - 15
    assert len(list(store.read.history("incident", told[0].id))) < 20


def test_a_full_disk_is_seen_at_once_and_over_after_ten_minutes(store: SqliteStore) -> None:
    """The disk needs no grace after the start; an incident that the store knows is taken on by another watch."""
    assert judged(store, StationWatch(), 0, StationFacts(1.0, disk_free_bytes=400_000_000))[0].severity is (
        Severity.SERIOUS
    )
    free = StationFacts(1.0, disk_free_bytes=700_000_000)
    told = [(minute, one.is_open) for minute in range(1, 20) for one in judged(store, StationWatch(), minute, free)]
    assert told == [(11, False)]
