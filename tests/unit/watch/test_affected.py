"""The sentence about the wood: from which boards, with what caution, and what the model says behind it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ingest.site.boards import ORDINARY_OAK
from ingest.site.incidents import Incident, IncidentKind
from ingest.site.places import Room, Sensor, Site
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.affected import is_due, sentence, words_of
from ingest.watch.rules.boards import BoardEstimate

T0_MS = 1_795_600_800_000
DAY_MS = 86_400_000
CAUTION = "measure the wood with a meter before you decide anything"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """Forty days at 45 % RH and then two at 75 %, every half hour."""
    at_ms = np.arange(T0_MS - 40 * DAY_MS, T0_MS + 2 * DAY_MS, 1_800_000, dtype=np.int64)
    rh_percent = np.where(at_ms < T0_MS, 45.0, 75.0)
    keys = tuple(SeriesKey("a", name) for name in ("temperature_c", "rh_percent"))
    index = np.repeat(np.arange(2, dtype=np.int32), len(at_ms))
    values = np.concatenate([np.full(len(at_ms), 21.1), rh_percent])
    batch = ReadingBatch(keys, index, np.tile(at_ms, 2), values, np.zeros(2 * len(at_ms), dtype=np.bool_))
    with SqliteStore.open(tmp_path / "lumberroom.sqlite3") as made:
        with made.transaction() as work:
            work.append(batch, heard_ms=T0_MS)
        yield made


def site(**room: object) -> Site:
    """Give a site with one room."""
    return Site("Invented", rooms=(Room("oak", "Oak store", **room),), sensors=(Sensor("a", "oak"),))  # type: ignore[arg-type]


def damp(hours: float, *, is_open: bool = False) -> Incident:
    """Give an incident of so many hours from the beginning of the damp."""
    ended_ms = None if is_open else T0_MS + round(hours * 3_600_000)
    return Incident("i", "oak", "a", IncidentKind.WINDOW, T0_MS, T0_MS, "damp", ended_ms)


def test_two_hours_do_no_harm_and_two_days_move_a_board(store: SqliteStore) -> None:
    """Wood takes days to answer: after two hours nothing is to be feared, after two days a board has gained."""
    described = site(boards=ORDINARY_OAK)
    short = sentence(store.read, described, damp(2), now_ms=T0_MS + DAY_MS)
    long = sentence(store.read, described, damp(47), now_ms=T0_MS + 2 * DAY_MS)
    assert "too little to do harm by itself" in short
    assert "gained 1." in long
    assert "too little" not in long
    assert CAUTION in short
    assert CAUTION in long
    assert "not known" not in short + long


def test_what_goes_on_is_told_as_so_far(store: SqliteStore) -> None:
    """While it goes on the sentence says so, up to now."""
    told = sentence(store.read, site(boards=ORDINARY_OAK), damp(0, is_open=True), now_ms=T0_MS + DAY_MS)
    assert "has gained" in told
    assert "so far" in told


def test_what_was_worked_out_before_does_not_outlive_the_air_it_came_from(store: SqliteStore) -> None:
    """Asked again the same is said; corrected air of the weeks before gives another sentence at once."""
    described = site(boards=ORDINARY_OAK)

    def ask() -> str:
        return sentence(store.read, described, damp(47), now_ms=T0_MS + 2 * DAY_MS)

    first = ask()
    assert ask() == first
    at_ms = np.arange(T0_MS - 20 * DAY_MS, T0_MS, 1_800_000, dtype=np.int64)
    humid = np.full(len(at_ms), 70.0), np.zeros(len(at_ms), np.int32), np.zeros(len(at_ms), np.bool_)
    with store.transaction() as work:
        work.append(ReadingBatch((SeriesKey("a", "rh_percent"),), humid[1], at_ms, humid[0], humid[2]), heard_ms=T0_MS)
    assert ask() != first


def test_nothing_is_said_where_nothing_is_known(store: SqliteStore) -> None:
    """No boards described, whatever the room is said to hold, no air, another kind of incident: no guess."""
    now_ms = T0_MS + DAY_MS
    assert sentence(store.read, site(holds="Oak boards, 20 mm"), damp(5), now_ms=now_ms) == ""
    assert sentence(store.read, site(boards=ORDINARY_OAK), replace(damp(5), sensor="b"), now_ms=now_ms) == ""
    silent = replace(damp(5), kind=IncidentKind.OFFLINE)
    assert sentence(store.read, site(boards=ORDINARY_OAK), silent, now_ms=now_ms) == ""


@pytest.mark.parametrize(
    ("moved", "face", "says"),
    [
        (0.2, 8.4, "too little to do harm by itself"),
        (0.2, 11.0, "too little to do harm by itself"),
        (0.7, 12.0, "its faces are far from its middle"),
        (1.2, 9.5, "a board 140 mm wide moves"),
        (-4.0, 5.0, "enough for gaps or cupping"),
    ],
)
def test_the_sentence_never_gives_leave_to_lay(moved: float, face: float, says: str) -> None:
    """Whatever the model says, it is an estimate, and people are sent to a meter."""
    found = BoardEstimate(8.0, 8.0 + moved, face, moved, 0.5 * moved, (8.0,))
    told = words_of(found, ORDINARY_OAK, is_over=True)
    assert says in told
    assert told.endswith(f"An estimate: {CAUTION}.")
    assert "lay" not in told


def test_the_sentence_is_made_when_something_is_told() -> None:
    """Opening, growing more severe, closing: yes. A figure brought up to date, or a battery: no."""
    was = damp(0, is_open=True)
    assert is_due(was, None)
    assert is_due(damp(3), was)
    assert not is_due(replace(was, worst_value=60.0), was)
    assert not is_due(replace(was, kind=IncidentKind.BATTERY), None)
