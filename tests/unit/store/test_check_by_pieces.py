"""The nightly check in pieces: it finds what the whole check finds, stops anywhere, and goes on after a restart."""

from __future__ import annotations

import contextlib
import re
import sqlite3
import time
from pathlib import Path

import numpy as np
import pytest

from ingest.runtime.upkeep import Upkeep
from ingest.site.incidents import Incident, IncidentKind
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.file import check_by_pieces, doctor
from ingest.store.file.integrity import check_integrity
from ingest.store.sqlite_store import SqliteStore

T0 = 1_780_000_000_000
MINUTE = 60_000
KEYS = tuple(SeriesKey(sensor, name) for sensor in ("attic", "hall") for name in ("temperature_c", "rh_percent"))


@pytest.fixture(autouse=True)
def small_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pieces of one step each, so that a small store has many."""
    monkeypatch.setattr(check_by_pieces, "PIECE_S", 1e-9)


@pytest.fixture
def filled(path: Path) -> Path:
    """Forty days of two sensors' air, sealed, rolled up and some of it staged; incidents on record."""
    rng = np.random.default_rng(1)
    with SqliteStore.open(path) as store:
        for first, count in ((0, 57_600), (57_600, 100)):
            at = np.tile(T0 + MINUTE * np.arange(first, first + count), 4)
            values = np.round(rng.normal(20, 3, 4 * count), 2)
            with store.transaction() as work:
                batch = ReadingBatch(KEYS, np.repeat(np.arange(4, dtype=np.int32), count), at, values, at < 0)
                work.append(batch, heard_ms=T0)
            if first == 0:
                store.settle()
        for number in range(30):
            with store.transaction() as work:
                incident = Incident(f"i{number}", "hall", "hall", IncidentKind.WINDOW, T0, T0 + number, "RH 70 %")
                work.put_incident(incident, at_ms=T0, by="watch")
    return path


def gone_through(store: SqliteStore, most: int = 10_000) -> int:
    """Do pieces until the pass is over; give how many there were."""
    for number in range(most):
        if store.check_piece(now_ms=T0).place is None:
            return number + 1
    return most


def edited(path: Path, *edits: str) -> None:
    """Change a file behind the store's back, its sums left as they were."""
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA trusted_schema = ON")
        connection.execute("PRAGMA ignore_check_constraints = ON")
        connection.create_function("row_sum", -1, lambda *_: 0, deterministic=True)
        for edit in edits:
            connection.execute(edit)


@pytest.mark.parametrize(
    "edit",
    [
        "UPDATE chunk SET body = CAST(substr(body, 1, 900) || x'ff' || substr(body, 902) AS BLOB) WHERE id = 7",
        "UPDATE chunk SET to_ms = to_ms + 1000 WHERE id = 3",
        "DELETE FROM chunk WHERE id = 5",
        "DELETE FROM rollup WHERE id = 2",
        "UPDATE rollup SET body = CAST(substr(body, 1, 60) || x'ff' || substr(body, 62) AS BLOB) WHERE id = 3",
        "UPDATE incident SET severity = 'severe' WHERE id = 'i4'",
        "DELETE FROM incident WHERE id = 'i9'",
        "UPDATE batch SET body = replace(body, '1', '2')",
        "DROP INDEX record_by_subject",
    ],
)
def test_it_finds_what_the_whole_check_finds(filled, edit) -> None:
    """One fault of each kind, found beside the running store; afterwards the doctor's mending ends the telling."""
    with SqliteStore.open(filled) as store:
        edited(filled, edit)
        whole = check_integrity(filled)
        assert whole
        gone_through(store)
        missed = [fault for fault in whole if not any(_same(fault, one) for one in store.checked.known)]
        assert missed == []
    with SqliteStore.open(filled) as store:
        assert store.checked.faults  # remembered over a restart
    doctor.mend(filled)
    with SqliteStore.open(filled) as store:
        assert store.checked.known == []


def _same(whole: str, piece: str) -> bool:
    """Say whether two sentences tell of one thing: of rollups the pieces tell by shorter stretches."""
    return re.split("[,:]", whole)[0] == re.split("[,:]", piece)[0]


def test_it_stops_anywhere_and_goes_on_after_a_restart(filled, monkeypatch) -> None:
    """A pass in three daemons' lives takes as many pieces as in one, finds the fault once, and says when it ended."""
    monkeypatch.setattr(check_by_pieces, "KEPT_EVERY_S", -1.0)
    edited(filled, "UPDATE incident SET severity = 'severe' WHERE id = 'i4'")
    with contextlib.closing(sqlite3.connect(filled)) as connection:
        connection.execute("SELECT 1")
    with SqliteStore.open(filled) as store:  # which sets that row aside: the file is sound then
        pieces = gone_through(store)
        assert store.checked.known == []
        assert store.checked.ended_ms == T0
    assert pieces > 30
    counted = 0
    for most in (pieces // 3, pieces // 3, 10_000):
        with SqliteStore.open(filled) as store:
            counted += gone_through(store, most)
            assert (store.checked.place is None) == (most == 10_000)
            under_way = "a pass is under way" in store.checked.in_words()
            assert under_way == (most != 10_000)
            assert any("went through everything last on 2026-05-28" in note for note in doctor.examine(filled).notes)
    assert abs(counted - pieces) <= 3


def test_a_piece_holds_no_read_transaction_for_long(filled) -> None:
    """Between two pieces nobody reads: the log is folded back wholly and begins anew."""
    with SqliteStore.open(filled) as store:
        longest = 0.0
        for _ in range(10_000):
            began = time.monotonic()
            over = store.check_piece(now_ms=T0).place is None
            longest = max(longest, time.monotonic() - began)
            if over:
                break
            with store.transaction() as work:
                work.save_judgement("hall", {"state": "out"})
            _, in_log, folded = store._writer.execute("PRAGMA wal_checkpoint(RESTART)").fetchone()
            assert in_log == folded
        assert longest < 5.0  # a busy machine; by itself some 30 ms


async def test_a_night_is_bounded_and_the_next_one_goes_on(filled, monkeypatch) -> None:
    """The night's share ends it between two pieces; faults found so far are told, and the place is kept."""
    monkeypatch.setattr("ingest.runtime.upkeep.CHECK_S", 0.2)
    monkeypatch.setattr(check_by_pieces, "KEPT_EVERY_S", -1.0)
    with SqliteStore.open(filled) as store:
        upkeep = Upkeep(store, "UTC")
        nights = 0
        while store.checked.ended_ms is None:
            before = store.checked.place
            await upkeep.check()
            assert store.checked.place != before
            nights += 1
        assert nights > 1
        assert upkeep.as_figures()["store_check"].startswith("the nightly check went through everything last on ")
        assert upkeep.faults == []
