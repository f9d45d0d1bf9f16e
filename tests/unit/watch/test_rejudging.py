"""Late readings judged in their place: whatever order readings come in, they make the same incidents."""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from adapters.contract import Reading, Stamp
from ingest.site.incidents import Incident, RoomState, Severity
from ingest.site.places import AcclimationWindow, Bounds, Phase, Room, Sensor, Site
from ingest.site.series import ReadingBatch
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.rounds import Watch
from ingest.watch.standing import standing
from ingest.watch.window import marks, rejudging
from ingest.watch.window.folding import Change
from ingest.watch.window.judge import SensorState
from ingest.watch.window.memory import from_json
from ingest.watch.window.rejudging import same
from ingest.watch.window.verdicts import Samples

T0_MS = 1_795_600_800_000  # Wed 25 Nov 2026, 10:00 UTC
MINUTE_MS = 60_000
RH = AcclimationWindow(rh_percent=Bounds(35.0, 55.0))
ALL = AcclimationWindow(Bounds(18.0, 24.0), Bounds(35.0, 55.0), Bounds(high=10.5))
SENSORS = (Sensor("a", "store", title="north wall"), Sensor("b", "store"))


def site_of(window: AcclimationWindow | None, *phases: Phase) -> Site:
    return Site("An invented site", rooms=(Room("store", "Store", window, phases=phases),), sensors=SENSORS)


@pytest.fixture(
    autouse=True, scope="module", params=[marks.EVERY_MS, 7 * MINUTE_MS], ids=["marks as used", "many marks"]
)
def _marks(request: pytest.FixtureRequest) -> Iterator[None]:
    """All of this twice: with marks as far apart as they are, and with so many that all is judged from marks."""
    was, marks.EVERY_MS = marks.EVERY_MS, request.param  # type: ignore[misc]
    yield
    marks.EVERY_MS = was  # type: ignore[misc]


@dataclass
class House:
    """A store, and one watch on it that lives through many units of work."""

    store: SqliteStore
    site: Site = field(default_factory=lambda: site_of(RH))
    watch: Watch = field(default_factory=Watch)

    def take(self, readings: list[Reading], now_ms: int) -> list[Incident]:
        """Store and judge one batch."""
        batch = ReadingBatch.of(readings)
        with self.store.transaction() as work:
            work.append(batch, heard_ms=now_ms)
            return self.watch.judge_readings(work, self.site, batch, now_ms=now_ms)

    def hear(self, sensor: str, minutes: range, value: float, now: int = 1000) -> list[Incident]:
        """Take in RH readings of a sensor, one a minute, in one batch."""
        return self.take([rh(sensor, at, value) for at in minutes], T0_MS + now * MINUTE_MS)

    def incidents(self) -> list[Incident]:
        return sorted(self.store.read.incidents(), key=lambda incident: incident.opened_ms)


def rh(sensor: str, at: float, value: float) -> Reading:
    return Reading(sensor, "rh_percent", value, T0_MS + round(at * MINUTE_MS), Stamp.SENSOR)


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    """A house of its own."""
    with SqliteStore.open(tmp_path / "lumberroom.sqlite3") as store:
        yield House(store)


def spans(incidents: list[Incident]) -> list[tuple[int, int, int | None]]:
    """Give when each began, opened and closed, in minutes."""
    return [
        (
            (i.began_ms - T0_MS) // MINUTE_MS,
            (i.opened_ms - T0_MS) // MINUTE_MS,
            None if i.closed_ms is None else (i.closed_ms - T0_MS) // MINUTE_MS,
        )
        for i in incidents
    ]


def test_a_late_excursion_appears(house: House) -> None:
    """An afternoon that arrives the day after makes the incident that it would have made."""
    house.hear("a", range(200), 45.0)
    house.hear("a", range(300, 400), 45.0)
    told = house.hear("a", range(200, 300), 60.0)
    assert spans(told) == [(200, 230, 330)]
    assert spans(house.incidents()) == [(200, 230, 330)]


def test_a_late_return_closes_and_splits(house: House) -> None:
    """An open incident whose middle arrives late, inside the window, becomes two: one keeps the id, one is new."""
    house.hear("a", range(10), 45.0)
    [opened] = house.take([rh("a", at, 60.0) for at in range(10, 200, 20)], T0_MS + 200 * MINUTE_MS)
    told = house.hear("a", range(71, 110), 45.0)
    first, second = house.incidents()
    assert spans([first, second]) == [(10, 50, 101), (110, 150, None)]
    assert first.id == opened.id
    assert second.id != first.id
    assert {i.id: i.is_open for i in told} == {first.id: False, second.id: True}


def test_a_late_reading_moves_the_beginning_and_says_so(house: House) -> None:
    """What was outside earlier than it was known moves the beginning; the id stays, the reason says so."""
    house.hear("a", range(10), 45.0)
    house.hear("a", range(40, 120), 60.0)
    [before] = house.incidents()
    assert house.hear("a", range(15, 40), 58.0) == []
    [after] = house.incidents()
    assert (before.id, spans([before]), spans([after])) == (after.id, [(40, 70, None)], [(15, 45, None)])
    assert after.revised_ms == T0_MS + 1000 * MINUTE_MS
    assert "when readings came late" in after.reason
    assert [entry.by for entry in house.store.read.history("incident", after.id)] == ["watch", "watch"]


def test_an_incident_that_did_not_happen_is_withdrawn(house: House) -> None:
    """Readings inside that arrive late take an incident back: told, kept in the record, gone from the incidents."""
    house.hear("a", range(10), 45.0)
    [opened] = house.take([rh("a", at, 60.0) for at in range(10, 60, 10)], T0_MS + 60 * MINUTE_MS)
    [gone] = house.take([rh("a", at + 5, 45.0) for at in range(10, 60, 10)], T0_MS + 61 * MINUTE_MS)
    assert gone.id == opened.id
    assert gone.withdrawn_ms == T0_MS + 61 * MINUTE_MS
    assert not gone.is_open
    assert "show that this did not happen" in gone.reason
    assert house.incidents() == []
    assert len(house.store.read.history("incident", opened.id)) == 2
    assert standing(house.store.read, house.site, "store", now_ms=T0_MS).state is RoomState.IN_RANGE


def test_an_amended_reading_is_judged_again(house: House) -> None:
    """A value that is corrected afterwards is judged as corrected, the newest one too."""
    house.hear("a", range(10), 45.0)
    house.hear("a", range(10, 41), 60.0)
    [opened] = house.incidents()
    [gone] = house.hear("a", range(40, 41), 45.0)
    assert (gone.id, gone.withdrawn_ms is not None, house.incidents()) == (opened.id, True, [])


def test_an_incident_of_one_sensor_is_not_closed_by_another_that_is_ahead(house: House) -> None:
    """Sensors that send in packs, one far ahead of the other, make one incident as if they had sent in step."""
    house.hear("a", range(60), 60.0)
    house.hear("a", range(60, 200), 45.0)
    assert spans(house.incidents()) == [(0, 30, 90)]
    house.hear("b", range(150), 60.0)
    house.hear("b", range(150, 200), 45.0)
    assert spans(house.incidents()) == [(0, 30, 180)]


def test_the_window_of_its_time_judges_what_comes_late(house: House) -> None:
    """Readings from before the window was changed are judged by the window of then."""
    house.hear("a", range(100), 60.0, now=100)
    house.site = site_of(AcclimationWindow(rh_percent=Bounds(35.0, 65.0)))
    house.hear("a", range(100, 200), 60.0, now=200)
    before = house.incidents()
    assert house.hear("b", range(10, 131), 62.0, now=201) == []
    after = house.incidents()
    assert spans(before) == spans(after) == [(0, 30, 130)]
    assert after[0].worst_value == 62.0


def test_each_phase_has_its_window(house: House) -> None:
    """A phase's window holds from its first day, at the site's midnight, and judges what is taken from then on."""
    damp_is_fine = AcclimationWindow(rh_percent=Bounds(35.0, 70.0))
    house.site = site_of(damp_is_fine, Phase("acclimating", "2026-11-26", RH))
    told = [i for hour in range(24) for i in house.hear("a", range(hour * 60, hour * 60 + 60, 5), 60.0)]
    opened, worse = told
    assert spans([opened]) == spans([worse]) == [(14 * 60, 14 * 60 + 30, None)]
    assert (worse.id, opened.severity, worse.severity) == (opened.id, Severity.SLIGHT, Severity.SERIOUS)


def test_a_whole_excursion_in_a_batch_that_also_brings_something_late(house: House) -> None:
    """One sensor's excursion comes and goes in the batch in which another sensor's late reading comes: it is told."""
    house.hear("a", range(300), 45.0)
    house.hear("b", range(10), 45.0)
    excursion = [rh("b", at, 60.0 if at < 80 else 45.0) for at in range(10, 130)]
    told = house.take([*excursion, rh("a", 200.5, 45.0)], T0_MS + 301 * MINUTE_MS)
    assert spans(told) == spans(house.incidents()) == [(10, 40, 110)]


def test_two_incidents_that_follow_at_once_keep_apart(house: House) -> None:
    """One sensor's drift begins before another's excursion is over, and counts just after: two, however they arrive."""
    b = [*(rh("b", at, 58.0) for at in range(31)), *(rh("b", at, 45.0) for at in range(31, 62))]
    a = [*(rh("a", at, 45.0) for at in range(32)), *(rh("a", at, 58.0) for at in range(32, 63))]
    now_ms = T0_MS + 63 * MINUTE_MS
    house.take(a, now_ms)
    [only] = house.incidents()
    house.take(b, now_ms)
    first, second = house.incidents()
    assert spans([first, second]) == [(0, 30, 61), (32, 62, None)]
    assert (only.id, first.id != second.id) == (second.id, True)
    house.take([rh("a", 31.5, 45.0)], now_ms)
    assert house.incidents() == [first, second]


def test_late_readings_do_not_disturb_other_days(house: House) -> None:
    """Only the stretch that something came into is judged again: other incidents keep state and record."""
    for day in range(6):
        house.hear("a", range(day * 1440, day * 1440 + 60, 5), 60.0, now=10_000)
        house.hear("a", range(day * 1440 + 60, day * 1440 + 1440, 5), 45.0, now=10_000)
    before = house.incidents()
    house.hear("a", range(3 * 1440 + 2, 3 * 1440 + 200, 5), 45.0, now=10_000)
    after = house.incidents()
    assert len(before) == 6
    assert [i for i in before if i not in after] == [before[3]]
    assert [one for one in after if one not in before] == []


def test_a_lost_memory_is_rebuilt_from_the_readings(house: House) -> None:
    """The memory that is rebuilt is the one that was lost, and nothing is told a second time."""
    for start in range(0, 600, 60):
        house.hear("a", range(start, start + 60), 60.0 if start in (120, 480, 540) else 45.0, now=start + 60)
    before = from_json(house.store.read.judgement("store"))
    incidents = house.incidents()
    with house.store.transaction() as work:
        work.save_judgement("store", {"version": 0})
    house.watch = Watch()
    assert house.hear("a", range(600, 601), 60.0, now=601) == []
    after = from_json(house.store.read.judgement("store"))
    # The reading after the loss is one more that lies outside: an excess of ten %-hours is reached with it.
    grown = replace(incidents[-1], excess_hours=10.0)
    assert house.incidents() == [*incidents[:-1], grown]
    assert (after.sensors["a"].began_ms, after.incident) == (before.sensors["a"].began_ms, grown)
    assert spans(house.hear("a", range(601, 640), 45.0, now=640)) == [(480, 510, 631)]


def test_what_a_rolled_back_unit_of_work_judged_is_forgotten(house: House) -> None:
    """A batch that was not committed leaves no trace in the watch: neither drift nor incident."""
    house.hear("a", range(10), 45.0)

    class Trouble(Exception):
        pass

    def broken() -> None:
        batch = ReadingBatch.of([rh("a", at, 60.0) for at in range(10, 60)])
        with house.store.transaction() as work:
            work.append(batch, heard_ms=T0_MS)
            assert house.watch.judge_readings(work, house.site, batch, now_ms=T0_MS + 60 * MINUTE_MS)
            raise Trouble

    with pytest.raises(Trouble):
        broken()
    assert house.hear("a", range(60, 80), 60.0) == []
    assert standing(house.store.read, house.site, "store", now_ms=T0_MS).state is RoomState.LEAVING_RANGE
    assert spans(house.hear("a", range(80, 95), 60.0)) == [(60, 90, None)]


def test_readings_stored_without_being_judged_are_caught_up(house: House) -> None:
    """What was stored while judging failed is judged with the next batch, by a watch that starts anew."""
    house.hear("a", range(10), 45.0)
    with house.store.transaction() as work:
        work.append(ReadingBatch.of([rh("a", at, 60.0) for at in range(10, 60)]), heard_ms=T0_MS)
    house.watch = Watch()
    assert spans(house.hear("a", range(60, 61), 60.0)) == [(10, 40, None)]


LEVELS = [(21.0, 45.0), (21.0, 54.5), (21.0, 58.0), (21.0, 70.0), (16.0, 50.0), (21.0, 30.0), (24.0, 54.9)]


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(st.tuples(st.sampled_from(LEVELS), st.integers(5, 50)), min_size=2, max_size=5),
    st.lists(st.tuples(st.sampled_from(LEVELS), st.integers(5, 50)), min_size=1, max_size=4),
    st.sampled_from([RH, ALL]),
    st.integers(0, 2**32),
    st.integers(6, 60),
    st.sampled_from(["packs", "shuffled", "backwards", "sensor by sensor", "losing its memory"]),
    st.integers(0, 2),
)
def test_any_order_of_arrival_makes_the_incidents_of_the_order_of_time(
    tmp_path_factory: pytest.TempPathFactory,
    first: list[tuple[tuple[float, float], int]],
    second: list[tuple[tuple[float, float], int]],
    window: AcclimationWindow,
    seed: int,
    size: int,
    order: str,
    apart_s: int,
) -> None:
    """Two sensors, temperature and RH together or seconds apart: shuffled, backwards, in packs of any size."""
    in_time = flat(first, second, apart_s)
    now_ms = in_time[-1].at_ms
    chance = random.Random(seed)
    arriving = list(in_time)
    if order in ("shuffled", "losing its memory"):
        chance.shuffle(arriving)
    elif order == "backwards":
        arriving.reverse()
    elif order == "sensor by sensor":
        arriving.sort(key=lambda reading: reading.sensor)
    outcomes = []
    for readings, pack in ((in_time, len(in_time)), (arriving, size * (1 if order != "shuffled" else 3))):
        with SqliteStore.open(tmp_path_factory.mktemp("order") / "lumberroom.sqlite3") as store:
            house = House(store, site_of(window))
            for start in range(0, len(readings), pack):
                house.take(readings[start : start + pack], now_ms)
                if order == "losing its memory" and chance.random() < 0.1:
                    house.watch = Watch()
            outcomes.append((house.incidents(), standing(store.read, house.site, "store", now_ms=now_ms)))
    (expected, stood), (found, stands) = outcomes
    assert spans(found) == spans(expected)
    assert all(same(one, other) for one, other in zip(found, expected, strict=True))
    assert [(one.severity, one.excess_hours) for one in found] == [(i.severity, i.excess_hours) for i in expected]
    assert (stands.state, stands.since_ms) == (stood.state, stood.since_ms)


def flat(
    first: list[tuple[tuple[float, float], int]], second: list[tuple[tuple[float, float], int]], apart_s: int
) -> list[Reading]:
    """Give the readings of two sensors in order of time."""
    readings = []
    for sensor, runs in (("a", first), ("b", second)):
        values = itertools.chain.from_iterable([level] * count for level, count in runs)
        for minute, (temperature_c, rh_percent) in enumerate(values):
            at_ms = T0_MS + minute * MINUTE_MS
            readings.append(Reading(sensor, "rh_percent", rh_percent, at_ms, Stamp.SENSOR))
            readings.append(Reading(sensor, "temperature_c", temperature_c, at_ms + apart_s * 1000, Stamp.SENSOR))
    return sorted(readings, key=lambda reading: reading.at_ms)


def test_a_withdrawn_incident_can_come_back(house: House) -> None:
    """Late, and then later still: what was withdrawn opens again when the readings say so after all."""
    house.hear("a", range(10), 45.0)
    house.take([rh("a", at, 60.0) for at in range(10, 60, 10)], T0_MS + 60 * MINUTE_MS)
    house.take([rh("a", 15, 45.0), rh("a", 45, 45.0)], T0_MS + 61 * MINUTE_MS)
    assert house.incidents() == []
    house.take([rh("a", 15, 61.0), rh("a", 45, 60.0)], T0_MS + 62 * MINUTE_MS)
    assert spans(house.incidents()) == [(10, 40, None)]
    assert replace(house.incidents()[0], reason="").worst_value == 61.0


def long_out(house: House, days: int) -> int:
    """Let a room be out for so many days, a reading every ten minutes; give our clock at their end."""
    at = range(0, days * 1440, 10)
    house.take([rh("a", minute, 45.0 if minute < 60 else 60.0 + minute % 7) for minute in at], T0_MS)
    now_ms = T0_MS + days * 1440 * MINUTE_MS
    house.take([rh("a", at[-1] + 1, 60.0)], now_ms)
    return now_ms


@pytest.mark.parametrize("lost", [False, True], ids=["marks at hand", "after a restart"])
def test_a_late_reading_costs_no_more_in_an_old_incident(
    house: House, monkeypatch: pytest.MonkeyPatch, lost: bool
) -> None:
    """Of an incident ninety days old a late reading has as much judged again as its own age asks for, not ninety days.

    The first one to come late may lay the marks (all was one import); from then on each pack of them is judged once.
    """
    now_ms = long_out(house, 90)
    house.take([rh("a", 90 * 1440 - 35, 61.0)], now_ms)
    judged: list[int] = []
    judge = rejudging.judge_planned

    def counted(state: SensorState, samples: Samples, *rest: Any) -> tuple[SensorState, list[Change]]:
        judged.append(len(samples))
        return judge(state, samples, *rest)

    monkeypatch.setattr(rejudging, "judge_planned", counted)
    house.watch = Watch() if lost else house.watch
    before = house.incidents()
    for back, most in ((45, 144), (46, 144), (3 * 1440 + 5, 7 * 144), (20 * 1440 + 5, 41 * 144)):
        judged.clear()
        house.take([rh("a", 90 * 1440 - back - more / 10, 62.0) for more in range(5)], now_ms)
        assert 0 < sum(judged) <= most
    assert spans(house.incidents()) == spans(before) == [(60, 90, None)]
    memory = house.store.read.judgement("store") or {}
    assert memory["late"] == 21


def test_an_end_in_the_past_is_found_from_a_mark(house: House) -> None:
    """Air that was back inside for an afternoon, told weeks late, parts an old incident in two, as in order of time."""
    now_ms = long_out(house, 40)
    house.take([rh("a", 39 * 1440 + 5, 61.0)], now_ms)
    [whole] = house.incidents()
    for begin in (38 * 1440, 12 * 1440):
        house.take([rh("a", begin + minute, 45.0) for minute in range(5, 300)], now_ms)
        house.take([rh("a", begin + minute, 45.0) for minute in range(10, 300, 10)], now_ms)
    first, second, third = spans(house.incidents())
    assert (first[0], first[2]) == (60, 12 * 1440 + 35)
    assert (second[0], second[2], third) == (12 * 1440 + 300, 38 * 1440 + 35, (38 * 1440 + 300, 38 * 1440 + 330, None))
    assert whole.id in {one.id for one in house.incidents()}
