"""Over all rules: a year that is replayed, imported, or comes in any order gives the incidents of the year lived."""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.contract import Reading, Stamp
from ingest.site.boards import Boards
from ingest.site.incidents import Incident, IncidentKind
from ingest.site.places import AcclimationWindow, Bounds, Place, Room, Sensor, Site
from ingest.site.rules import Rules
from ingest.site.series import ReadingBatch
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.rounds import Watch
from ingest.watch.window import arrears

T0_MS = 1_767_225_600_000  # Thu 1 Jan 2026, 00:00 UTC
MINUTE_MS = 60_000
DAY = 1440
WINDOW = AcclimationWindow(Bounds(17.0, 25.0), Bounds(35.0, 60.0), Bounds(6.0, 11.0))
BOARDS = Boards("white oak", 12.0, 60.0, mc_percent=8.5, target_percent=8.5, tolerance_percent=1.0)
RULES = Rules(grains_change_gpp=12.0, mould_rh_percent=62.0, mould_index=0.02)
SITE = Site(
    "An invented site",
    rooms=(Room("store", "Store", WINDOW, rules=RULES, boards=BOARDS),),
    sensors=(
        Sensor("a", "store", checked_on="2025-03-01", offline_after_s=7200),
        Sensor("b", "store", offline_after_s=7200),
        Sensor("floor", "store", Place.SURFACE),
        Sensor("slab", "store", Place.SLAB),
        Sensor("out", "store", Place.OUTLET),
    ),
)


def course(minutes: Sequence[int], seed: int) -> list[Reading]:
    """Make a room's readings at these minutes: seasons, noise, wet trades, a stuck and a leaving range sensor, gaps."""
    at = np.asarray(minutes)
    chance, days = np.random.default_rng(seed), at / DAY
    season = np.sin(days * 2 * np.pi / 365)
    wet = 18.0 * (np.sin(days * 2 * np.pi / 23) > 0.93) + 12.0 * (np.sin(days * 2 * np.pi / 3.1) > 0.97)
    warm = 20 + 3 * season + np.sin(days * 2 * np.pi) - 6.0 * (np.sin(days * 2 * np.pi / 41) > 0.98)
    damp = 47 + 9 * season + 2 * np.sin(days * 2 * np.pi) + wet
    found: list[Reading] = []

    def hear(sensor: str, quantity: str, value: np.typing.NDArray[np.float64], share: float = 1.0) -> None:
        heard = chance.random(len(at)) < share
        heard &= ~((days % 61 > 40) & (days % 61 < 40.8))  # half a day of nothing, now and then
        for minute, one in zip(at[heard].tolist(), value[heard].round(2).tolist(), strict=True):
            found.append(Reading(sensor, quantity, one, T0_MS + minute * MINUTE_MS, Stamp.SENSOR))

    def noise(spread: float) -> np.typing.NDArray[np.float64]:
        return chance.normal(0.0, spread, len(at))

    hear("a", "temperature_c", warm + noise(0.1))
    hear("a", "rh_percent", np.clip(damp + noise(0.4), 5, 98))
    stuck = (days % 90 > 50) & (days % 90 < 52)
    hear("b", "temperature_c", np.where(stuck, 20.0, warm + 0.5 + noise(0.1)))
    hear("b", "rh_percent", np.where(stuck, 50.0, np.clip(damp + 12.0 * (days % 120 > 100) + noise(0.4), 5, 98)))
    hear("floor", "surface_temperature_c", warm - 6.0 - 3.0 * (np.sin(days) > 0.9) + noise(0.2), 0.5)
    hear("slab", "slab_rh_percent", 76 - 4 * season + noise(0.5), 0.2)
    hear("slab", "battery_percent", 100 - (days % 70) * 1.4, 0.1)
    hear("out", "temperature_c", warm + 3)
    hear("out", "rh_percent", np.clip(damp * (0.6 + 0.3 * (np.sin(days / 3) > 0.8)) + noise(0.3), 5, 98))
    return sorted(found, key=lambda reading: reading.at_ms)


@dataclass
class Life:
    """A store and its watch."""

    store: SqliteStore
    watch: Watch

    def take(self, readings: Sequence[Reading], now_ms: int) -> None:
        """Store and judge a pack."""
        batch = ReadingBatch.of(readings)
        with self.store.transaction() as work:
            work.append(batch, heard_ms=now_ms)
            self.watch.judge_readings(work, SITE, batch, now_ms=now_ms)

    def look(self, now_ms: int) -> list[Incident]:
        """Look at rules and at what was imported; give what is told."""
        told: list[Incident] = []
        for judge in (self.watch.judge_rules, self.watch.judge_unjudged):
            with self.store.transaction() as work:
                told += judge(work, SITE, now_ms=now_ms, budget_s=3600.0)
        return told

    def incidents(self) -> list[tuple[object, ...]]:
        """Give what stands in the end, without ids and sentences."""
        found = self.store.read.incidents(limit=100_000)
        rows = [
            (i.kind.value, i.sensor, i.quantity, i.began_ms, i.opened_ms, i.closed_ms, i.bound, i.worst_value)
            for i in found
        ]
        return sorted(rows, key=str)


Lives = Callable[[], Life]


@pytest.fixture
def lives(tmp_path: Path) -> Iterator[Lives]:
    """Make lives, each with a store of its own."""
    stores: list[SqliteStore] = []

    def live() -> Life:
        stores.append(SqliteStore.open(tmp_path / f"{len(stores)}.sqlite3"))
        return Life(stores[-1], Watch())

    yield live
    for store in stores:
        store.close()


def lived(life: Life, readings: Sequence[Reading], every: int, *, restart_every: int = 10**9) -> None:
    """Live through readings in order, in packs of so many minutes, with a look after each; restart now and then."""
    packs = itertools.groupby(readings, key=lambda reading: (reading.at_ms - T0_MS) // MINUTE_MS // every)
    for number, (pack, part) in enumerate(packs):
        now_ms = T0_MS + (pack + 1) * every * MINUTE_MS
        if number % restart_every == restart_every - 1:
            life.watch = Watch()
        life.take(list(part), now_ms)
        life.look(now_ms)


def settled(life: Life, end_ms: int) -> list[tuple[object, ...]]:
    """Let everything that is due be judged once more at the end; give the incidents."""
    for _ in range(3):
        end_ms += 7 * 3_600_000
        life.look(end_ms)
    return life.incidents()


@pytest.mark.parametrize(
    ("often_day", "days", "pack_days"),
    [(63, 121, 2), pytest.param(150, 365, 1, marks=pytest.mark.soak)],
    ids=["season", "year"],
)
def test_what_is_replayed_or_imported_is_what_was_lived(
    lives: Lives, often_day: int, days: int, pack_days: int
) -> None:
    """Lived in packs of a day or two with restarts, sent at once in its end, and imported unjudged: the same incidents.

    Every rule has something to tell in it, and what is told of the imported part is only what goes on or was just over.
    """
    often = range(often_day * DAY, (often_day + 18) * DAY, 15)
    readings = course([*range(0, often.start, 60), *often, *range(often.stop, days * DAY, 60)], seed=1)
    end_ms = readings[-1].at_ms + MINUTE_MS
    live, replay, imported = lives(), lives(), lives()
    lived(live, readings, every=pack_days * DAY, restart_every=37)
    for begin in range(0, len(readings), 20_000):
        replay.take(readings[begin : begin + 20_000], end_ms)
    replay.look(end_ms)
    batch = ReadingBatch.of(readings)
    with imported.store.transaction() as work:
        work.append(batch, heard_ms=end_ms, live=False)
        arrears.note_unjudged(work, SITE, batch)
    told = imported.look(end_ms) + imported.look(end_ms)
    expected = settled(live, end_ms)
    assert settled(replay, end_ms) == expected
    assert settled(imported, end_ms) == expected
    kinds = {row[0] for row in expected}
    assert kinds == {kind.value for kind in IncidentKind} - {"offline", "adapter", "disk", "clock", "forwarding"}
    assert len(told) < 20 < len(expected)
    assert all(one.closed_ms is None or end_ms - one.closed_ms < DAY * MINUTE_MS for one in told)


@settings(max_examples=4, deadline=None)
@given(seed=st.integers(0, 10_000), shuffle=st.integers(0, 10_000), size=st.integers(5, 300), held=st.booleans())
def test_packs_in_any_order_make_the_same_incidents(
    tmp_path_factory: pytest.TempPathFactory, seed: int, shuffle: int, size: int, held: bool
) -> None:
    """Four days in packs, shuffled altogether or one sensor's held back for a day, with looks and restarts between."""
    folder = tmp_path_factory.mktemp("lives")
    readings = course(range(0, 4 * DAY, 10), seed)
    order = random.Random(shuffle)
    with SqliteStore.open(folder / "a.sqlite3") as one, SqliteStore.open(folder / "b.sqlite3") as other:
        straight, mixed = Life(one, Watch()), Life(other, Watch())
        lived(straight, readings, every=120)
        end_ms = readings[-1].at_ms + MINUTE_MS
        if held:
            late = [reading for reading in readings if reading.sensor == "a"]
            lived(mixed, [reading for reading in readings if reading.sensor != "a"], every=120)
            packs = [late[begin : begin + size] for begin in range(0, len(late), size)]
        else:
            packs = [readings[begin : begin + size * 4] for begin in range(0, len(readings), size * 4)]
            order.shuffle(packs)
        for pack in packs:
            if order.random() < 0.2:
                mixed.watch = Watch()
            mixed.take(pack, end_ms)
            if order.random() < 0.5:
                mixed.look(end_ms)
        assert settled(mixed, end_ms) == settled(straight, end_ms)


def test_a_replay_begun_anew_is_nothing_new(lives: Lives) -> None:
    """What comes twice with the same values counts as late with nobody, and no room is judged again for it."""
    readings = course(range(0, 2 * DAY, 10), seed=3)
    life = lives()
    lived(life, readings, every=60)
    before = life.incidents()
    lived(life, readings, every=480)
    life.watch = Watch()
    lived(life, readings, every=70)
    assert life.incidents() == before
    memory = life.store.read.judgement("store") or {}
    assert (memory["late"], arrears.noted(life.store.read, arrears.LATE, "store")) == (0, {})
