"""The rounds of the watch on the real store: what is late, ahead, changed or taken away; silence; restarts."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from adapters.contract import Reading, Stamp
from ingest.site.actor import SETTINGS
from ingest.site.incidents import Ending, Incident, IncidentKind, RoomState, Severity
from ingest.site.places import AcclimationWindow, Bounds, Place, Room, Sensor, Site
from ingest.site.series import ReadingBatch
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.reasons import ENDING_WORDS
from ingest.watch.rounds import Watch, judge_readings, judge_silence
from ingest.watch.standing import standing
from ingest.watch.window.memory import RoomMemory, from_json, to_json

T0_MS = 1_795_600_800_000  # Wed 25 Nov 2026, 10:00 UTC
MINUTE_MS = 60_000
WINDOW = AcclimationWindow(rh_percent=Bounds(35.0, 55.0))
SENSORS = (
    Sensor("a", "store", title="north wall"),
    Sensor("b", "store"),
    Sensor("pin", "store", Place.WOOD, offline_after_s=7200),
    Sensor("yard", "store", Place.OUTDOORS),
)
SITE = Site("An invented site", rooms=(Room("store", "Store", WINDOW),), sensors=SENSORS)


@dataclass
class House:
    """A store, and the watch on it."""

    store: SqliteStore
    site: Site = SITE

    def hear(
        self, *readings: tuple[str, int, float], now: int | None = None, site: Site | None = None
    ) -> list[Incident]:
        """Take in RH readings (sensor, minute, value) in one batch and judge them; `now` in minutes."""
        batch = ReadingBatch.of(
            Reading(sensor, "rh_percent", value, T0_MS + at * MINUTE_MS, Stamp.SENSOR) for sensor, at, value in readings
        )
        now_ms = T0_MS + (max(at for _, at, _ in readings) if now is None else now) * MINUTE_MS
        with self.store.transaction() as work:
            work.append(batch, heard_ms=now_ms)
            return judge_readings(work, site or self.site, batch, now_ms=now_ms)

    def hours(self, sensor: str, start: int, count: int, value: float, site: Site | None = None) -> list[Incident]:
        """Take in `count` readings, one a minute, in one batch."""
        return self.hear(*((sensor, start + step, value) for step in range(count)), site=site)

    def look(self, at: float, site: Site | None = None) -> list[Incident]:
        """Look for silence at a minute."""
        with self.store.transaction() as work:
            return judge_silence(work, site or self.site, now_ms=T0_MS + round(at * MINUTE_MS))

    def stands(self, at: int) -> tuple[RoomState, str]:
        """Give the room's state and reason at a minute."""
        found = standing(self.store.read, self.site, "store", now_ms=T0_MS + at * MINUTE_MS)
        return found.state, found.reason


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    """A house of its own."""
    with SqliteStore.open(tmp_path / "lumberroom.sqlite3") as store:
        yield House(store)


def minute(at_ms: int | None) -> int | None:
    return None if at_ms is None else (at_ms - T0_MS) // MINUTE_MS


def test_old_readings_are_judged_in_their_place(house: House) -> None:
    """Yesterday's damp hours, arriving after today's dry ones, make yesterday's incident, and today stays as it is."""
    house.hours("a", 0, 40, 45.0)
    told = house.hear(*(("a", at, 80.0) for at in range(-200, -20)), now=40)
    assert [(minute(i.began_ms), minute(i.opened_ms), minute(i.closed_ms)) for i in told] == [(-200, -170, 30)]
    assert house.stands(40)[0] is RoomState.IN_RANGE
    assert house.store.read.incidents() == told


def test_a_year_of_old_readings_alone_is_judged_in_its_own_time(house: House) -> None:
    """A replay is judged by its own instants, however long ago they are."""
    told = house.hear(*(("a", at, 60.0 if at < -900 else 45.0) for at in range(-1000, -800)), now=500_000)
    assert [(minute(i.began_ms), minute(i.opened_ms), minute(i.closed_ms)) for i in told] == [(-1000, -970, -870)]


def test_readings_ahead_of_our_clock_do_not_stop_the_judging(house: House) -> None:
    """A sensor whose clock is a year ahead is counted, and its right readings afterwards are judged as ever."""
    house.hear(("a", 0, 45.0), ("a", 525_600, 60.0), now=0)
    told = [house.hear(("a", at, 60.0)) for at in range(1, 40)]
    assert [minute(i.opened_ms) for batch in told for i in batch] == [31]
    assert "1 reading was stamped ahead of our clock: stored, not judged." in house.stands(40)[1]


def test_a_clock_that_was_ahead_and_is_set_back_does_not_blind_the_watch(house: House) -> None:
    """What was judged under a clock a year ahead is let go when the clock is right again."""
    house.hear(("a", 525_600, 45.0))
    house.hear(("a", 0, 60.0), now=0)
    assert house.stands(0)[0] is RoomState.LEAVING_RANGE
    assert [minute(i.opened_ms) for i in house.hours("a", 1, 30, 60.0)] == [30]


def test_each_sensor_of_the_room_is_judged_and_the_worst_one_stands_for_it(house: House) -> None:
    """The room is out while one of its air sensors is; wood and outdoor sensors are not judged."""
    house.hours("a", 0, 40, 45.0)
    house.hours("pin", 0, 40, 90.0)
    house.hours("yard", 0, 40, 90.0)
    assert house.stands(40)[0] is RoomState.IN_RANGE
    assert [i.sensor for i in house.hours("b", 0, 40, 60.0)] == ["b"]
    assert house.stands(40)[0] is RoomState.OUT_OF_RANGE


def test_a_sensor_out_while_another_closed_the_incident_opens_the_same_one_again(house: House) -> None:
    """A pack that arrives after the all-clear and shows that it was not clear reopens the incident it belongs to."""
    [opened] = house.hours("a", 0, 40, 60.0)
    [closed] = house.hours("a", 40, 40, 45.0)
    [again] = house.hours("b", 20, 60, 70.0)
    assert opened.id == closed.id == again.id
    assert (closed.is_open, again.is_open) == (False, True)
    assert again.worst_value == 70.0


def test_an_open_incident_is_written_as_it_worsens_but_not_told_again(house: House) -> None:
    """Readings further out update the stored incident by quarter margins; nobody is told a second time."""
    house.hours("a", 0, 31, 60.0)
    assert house.hear(("a", 31, 60.1)) == []
    assert house.store.read.incidents()[0].worst_value == 60.0
    assert house.hear(("a", 32, 63.0)) == []
    assert house.store.read.incidents()[0].worst_value == 63.0
    assert "63.0 % at worst" in house.store.read.incidents()[0].reason


def test_a_restart_in_the_middle_of_a_drift_loses_nothing(house: House, tmp_path: Path) -> None:
    """The drift goes on in a new process where the old one left it: its state is in the store."""
    house.hours("a", 0, 20, 60.0)
    house.store.close()
    with SqliteStore.open(tmp_path / "lumberroom.sqlite3") as store:
        assert [minute(i.began_ms) for i in House(store).hours("a", 20, 20, 60.0)] == [0]


def test_a_lost_state_takes_over_the_open_incident(house: House) -> None:
    """Where the remembered state is gone (another version), the open incident is closed in the end, not orphaned."""
    [opened] = house.hours("a", 0, 40, 60.0)
    with house.store.transaction() as work:
        work.save_judgement("store", {"version": 0})
    assert house.hours("a", 40, 5, 58.0) == []
    assert house.stands(45)[0] is RoomState.OUT_OF_RANGE
    [closed] = house.hours("a", 45, 31, 45.0)
    assert (closed.id, minute(closed.closed_ms), closed.worst_value) == (opened.id, 75, 60.0)


@pytest.mark.parametrize("kept", [{}, {"sensors": {"a": {"state": "out"}}}, {"sensors": []}, {"incident": 7}])
def test_a_memory_of_a_shape_that_is_not_known_counts_as_none(kept: dict[str, object]) -> None:
    """Keys missing, or of another kind, under our own version's number: no memory, and no error."""
    whole = to_json(RoomMemory())
    assert from_json({"version": whole["version"], **kept}) == RoomMemory()
    assert from_json({**whole, **kept}) == RoomMemory()


def test_a_changed_window_is_judged_from_the_next_reading_and_says_so(house: House) -> None:
    """Widening the window lets an incident close; the reason says that the window was changed."""
    house.hours("a", 0, 40, 60.0)
    wider = AcclimationWindow(rh_percent=Bounds(35.0, 65.0))
    house.site = replace(SITE, rooms=(Room("store", "Store", wider),))
    house.look(40)
    state, reason = house.stands(40)
    assert state is RoomState.OUT_OF_RANGE
    assert "the window was changed; judged anew from the next reading" in reason
    [closed] = house.hours("a", 40, 31, 60.0)
    assert minute(closed.closed_ms) == 70


def test_a_window_taken_away_closes_its_incident(house: House) -> None:
    """Without a window nothing can be out of it: the incident closes and says why."""
    house.hours("a", 0, 40, 60.0)
    [closed] = house.look(41, replace(SITE, rooms=(Room("store", "Store"),)))
    assert closed.closed_ms is not None
    assert closed.reason.endswith(
        "above 55 % since Wed 25 Nov 2026, 10:00 UTC, 60.0 % at worst (Wed 25 Nov 2026, 10:00 UTC). "
        "That is certainly outside: the sensor may be wrong by ±3.0 points. " + ENDING_WORDS[Ending.NO_WINDOW]
    )


def test_a_sensor_taken_away_closes_its_incident(house: House) -> None:
    """An incident that only a sensor held open which is no longer there closes and says why."""
    house.hours("a", 0, 40, 60.0)
    [closed] = house.look(41, replace(SITE, sensors=SENSORS[1:]))
    assert closed.closed_ms is not None
    assert closed.reason.endswith(ENDING_WORDS[Ending.NO_SENSOR])


def test_nothing_judged_yet_and_nothing_to_judge_are_said(house: House) -> None:
    """A room stands as unknown with the reason that applies: no readings, no window, no sensor, no such room."""
    nothing = 'The sensor "north wall" has not said anything yet that the window can be judged by.'
    assert house.stands(0) == (RoomState.UNKNOWN, nothing)
    for site, why in (
        (replace(SITE, rooms=(Room("store", "Store"),)), "No window is set"),
        (replace(SITE, sensors=()), "No air sensor belongs"),
        (replace(SITE, rooms=()), "There is no such room"),
    ):
        found = standing(house.store.read, site, "store", now_ms=T0_MS)
        assert found.state is RoomState.UNKNOWN
        assert why in found.reason


def test_an_emc_that_a_later_temperature_completes_is_judged(house: House) -> None:
    """A sensor that sends RH and, a second later, in a message of its own, temperature every ten minutes has an EMC."""
    room = Room("store", "Store", AcclimationWindow(emc_percent=Bounds(6.0, 9.0)))
    site = replace(SITE, rooms=(room,), sensors=(Sensor("a", "store"),))
    told = []
    for at in range(0, 60, 10):
        for quantity, value, later_ms in (("rh_percent", 75.0, 0), ("temperature_c", 21.0, 1000)):
            at_ms = T0_MS + at * MINUTE_MS + later_ms
            batch = ReadingBatch.of([Reading("a", quantity, value, at_ms, Stamp.SENSOR)])
            with house.store.transaction() as work:
                work.append(batch, heard_ms=at_ms)
                told += judge_readings(work, site, batch, now_ms=at_ms)
    [opened] = told  # 14 % EMC where 9 % is allowed is serious at once
    assert (opened.quantity, minute(opened.began_ms), minute(opened.opened_ms)) == ("emc_percent", 0, 30)
    assert opened.severity is Severity.SERIOUS


# --- silence ---------------------------------------------------------------------------------------------------------


def looks(house: House, start: int, end: int, site: Site | None = None) -> list[tuple[int, str, bool]]:
    """Look every minute; give (minute, sensor, opened?) of what was told."""
    return [(at, i.sensor, i.is_open) for at in range(start, end) for i in house.look(at, site)]


A_ALONE = replace(SITE, sensors=SENSORS[:1])


def test_a_sensor_that_falls_silent_is_told_and_told_again_when_heard(house: House) -> None:
    """Thirty minutes without a word open an incident from the last word on; the next word closes it."""
    house.look(0, A_ALONE)
    house.hear(("a", 0, 45.0))
    assert looks(house, 1, 60, A_ALONE) == [(30, "a", True)]
    house.site = A_ALONE
    state, reason = house.stands(60)
    assert state is RoomState.UNKNOWN
    assert "Nothing has been heard from its air sensor; the last reading is of 10:00." in reason
    house.hear(("a", 60, 45.0))
    [closed] = house.look(61, A_ALONE)
    assert (closed.kind, minute(closed.began_ms), minute(closed.opened_ms), minute(closed.closed_ms)) == (
        IncidentKind.OFFLINE, 0, 30, 60,
    )  # fmt: skip
    assert 'The sensor "north wall" gives readings again' in closed.reason
    assert house.stands(61)[0] is RoomState.IN_RANGE


def test_a_sensor_never_heard_counts_from_when_watching_began(house: House) -> None:
    """Watching begins with the first look, and a restart in between does not begin it again."""
    told = looks(house, 100, 140, A_ALONE)
    assert told == [(130, "a", True)]
    assert "It was never heard before." in house.store.read.incidents()[0].reason


def test_each_sensor_has_its_own_silent_time(house: House) -> None:
    """A wood probe that reports every hour is given the two hours that it was set up with."""
    told = looks(house, 0, 121)
    assert told == [(30, "a", True), (30, "b", True), (30, "yard", True), (120, "pin", True)]


def test_silence_of_old_readings_is_judged_by_their_arrival(house: House) -> None:
    """A logger that sends last week's readings is being heard."""
    house.look(0, A_ALONE)
    for at in range(0, 60, 5):
        house.hear(("a", at - 10_000, 45.0), now=at)
        assert house.look(at + 1, A_ALONE) == []


@pytest.mark.parametrize("step", [15, 7 * 24 * 60, 365 * 24 * 60, -15, -365 * 24 * 60])
def test_a_step_of_the_wall_clock_makes_no_silence(house: House, step: int) -> None:
    """The clock jumps forwards or back by minutes to a year: nobody is silent who goes on being heard."""
    told = []
    for at in range(0, 120, 5):
        wall = at if at < 60 else at + step
        house.hear(("a", at, 45.0), now=wall)
        told += house.look(wall, A_ALONE)
    assert told == []


@pytest.mark.parametrize("step", [60, -365 * 24 * 60])
def test_a_sensor_that_dies_at_a_step_of_the_clock_is_found_silent_later(house: House, step: int) -> None:
    """After a step the whole silent time passes again, and then the silence is told."""
    told = []
    for at in range(0, 120, 5):
        wall = at if at < 60 else at + step
        if at < 60:
            house.hear(("a", at, 45.0), now=wall)
        told += [(at, i.sensor, i.is_open) for i in house.look(wall, A_ALONE)]
    assert told == [(90, "a", True)]


def test_a_daemon_that_was_down_for_a_week_does_not_wake_up_shouting(house: House) -> None:
    """Sensors could not be heard while nobody listened; those that stay silent are told one silent time later."""
    house.look(0, A_ALONE)
    house.hear(("a", 0, 45.0))
    week = 7 * 24 * 60
    assert looks(house, week, week + 40, A_ALONE) == [(week + 30, "a", True)]
    assert minute(house.store.read.incidents()[0].began_ms) == 0


def test_an_open_incident_of_a_silent_sensor_stays_open_and_out(house: House) -> None:
    """Silence does not heal: a room whose only sensor fell silent while out is still out."""
    house.look(0, A_ALONE)
    for at in range(0, 40, 3):
        house.hear(("a", at, 60.0), site=A_ALONE)
        house.look(at, A_ALONE)
    assert looks(house, 40, 80, A_ALONE) == [(69, "a", True)]
    house.site = A_ALONE
    assert house.stands(80)[0] is RoomState.OUT_OF_RANGE


def test_a_silent_sensor_taken_away_closes_its_incident(house: House) -> None:
    """A sensor that is no longer the room's is not missed any more."""
    looks(house, 0, 31, A_ALONE)
    [closed] = house.look(31, replace(SITE, sensors=()))
    assert (closed.kind, minute(closed.closed_ms)) == (IncidentKind.OFFLINE, 31)
    assert "has given no reading since" in closed.reason
    assert closed.reason.endswith(ENDING_WORDS[Ending.NO_SENSOR])


# --- batches ---------------------------------------------------------------------------------------------------------


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@example(first=[(34.0, 31)], second=[(45.0, 38), (60.0, 31)], cuts=[199])  # within the instant that turns it
@example(first=[(34.0, 51)], second=[(45.0, 49), (60.0, 31)], cuts=[199])  # the same, and others go on behind it
@given(
    st.lists(st.tuples(st.sampled_from([34.0, 45.0, 54.5, 56.0, 70.0]), st.integers(5, 45)), min_size=2, max_size=6),
    st.lists(st.tuples(st.sampled_from([45.0, 60.0]), st.integers(5, 60)), min_size=1, max_size=4),
    st.lists(st.integers(1, 400), max_size=5),
)
def test_any_cutting_of_a_rooms_readings_makes_the_same_incidents(
    tmp_path_factory: pytest.TempPathFactory,
    first: list[tuple[float, int]],
    second: list[tuple[float, int]],
    cuts: list[int],
) -> None:
    """Two sensors, temperature and RH apart, cut anywhere, even within an instant: the same incidents are stored."""
    flat = []
    for sensor, runs in (("a", first), ("b", second)):
        values = [value for value, count in runs for _ in range(count)]
        for at, value in enumerate(values):
            at_ms = T0_MS + at * MINUTE_MS
            flat.append(Reading(sensor, "temperature_c", 21.0, at_ms, Stamp.SENSOR))
            flat.append(Reading(sensor, "rh_percent", value, at_ms, Stamp.SENSOR))
    flat.sort(key=lambda reading: reading.at_ms)
    window = AcclimationWindow(Bounds(18.0, 24.0), Bounds(35.0, 55.0), Bounds(high=10.5))
    site = replace(SITE, rooms=(Room("store", "Store", window),))
    outcomes = []
    for edges in ([0, len(flat)], sorted({0, len(flat), *(cut for cut in cuts if cut < len(flat))})):
        with SqliteStore.open(tmp_path_factory.mktemp("cut") / "lumberroom.sqlite3") as store:
            for start, end in itertools.pairwise(edges):
                batch = ReadingBatch.of(flat[start:end])
                with store.transaction() as work:
                    work.append(batch, heard_ms=flat[end - 1].at_ms)
                    judge_readings(work, site, batch, now_ms=flat[end - 1].at_ms)
            stands = standing(store.read, site, "store", now_ms=flat[-1].at_ms)
            outcomes.append((store.read.incidents(), stands))
    assert outcomes[0] == outcomes[1]


def test_looks_that_change_nothing_write_nothing(house: House, tmp_path: Path) -> None:
    """An hour of looks, two a minute, without readings: a dozen commits and not a hundred and twenty; the silence that
    falls meanwhile is noticed as soon as ever."""
    watch = Watch()
    with SqliteStore.open(tmp_path / "idle.sqlite3") as store:
        with store.transaction() as work:
            work.save_site(house.site, at_ms=0, by=SETTINGS)
            readings = [Reading(one.id, "rh_percent", 45.0, 0, Stamp.SENSOR) for one in house.site.sensors]
            work.append(ReadingBatch.of(readings), heard_ms=0)
            watch.judge_readings(work, house.site, ReadingBatch.of(readings), now_ms=0)
        writes, found = 0, []
        for at_ms in range(30_000, 3_630_000, 30_000):
            before = store._writer.total_changes
            with store.transaction() as work:
                opened = watch.judge_silence(work, house.site, now_ms=at_ms)
            writes += store._writer.total_changes > before
            found += [(one.sensor, at_ms) for one in opened]
    assert {sensor for sensor, _ in found} >= {"a", "b"}
    assert max(at_ms for sensor, at_ms in found if sensor in ("a", "b")) <= 1_860_000
    assert writes <= 16


def test_air_in_range_costs_no_writing_beside_its_readings(house: House, tmp_path: Path) -> None:
    """Two hours in range, a batch and two looks a minute: what the watch saves it saves now and then, and not with each
    batch; killed at any time, it knows from the readings what it had not saved."""
    watch, written = Watch(), []
    with SqliteStore.open(tmp_path / "quiet.sqlite3") as store:
        with store.transaction() as work:
            work.save_site(house.site, at_ms=0, by=SETTINGS)
        store._writer.set_trace_callback(lambda said: written.append(said) if "INTO judgement" in said else None)
        for at_ms in range(0, 7_320_000, 60_000):
            value = 45.0 if at_ms < 5_400_000 else 70.0
            batch = ReadingBatch.of([Reading("a", "rh_percent", value, at_ms, Stamp.SENSOR)])
            if at_ms == 5_940_000:  # killed in the middle of a drift, a minute after it was last heard of
                watch = Watch()
            with store.transaction() as work:
                work.append(batch, heard_ms=at_ms)
                watch.judge_readings(work, house.site, batch, now_ms=at_ms)
            for look_ms in (at_ms, at_ms + 30_000):
                with store.transaction() as work:
                    watch.judge_silence(work, house.site, now_ms=look_ms)
            if at_ms == 5_340_000:
                assert len(written) <= 40
        store._writer.set_trace_callback(None)
        assert [one.began_ms for one in store.read.incidents() if one.sensor == "a"] == [5_400_000]
