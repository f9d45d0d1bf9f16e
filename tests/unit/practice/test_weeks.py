"""What each week did in a room: by hand, across clock changes, gaps and sensors, and against plain counting."""

from __future__ import annotations

import bisect
import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from adapters.contract import Reading, Stamp
from ingest.physics.wood import emc_percent
from ingest.practice.weeks import Week, WeekState, week_by_week
from ingest.site.places import AcclimationWindow, Bounds, Phase, Room, Sensor, Site
from ingest.site.series import ReadingBatch, SeriesKey, Span
from ingest.store.sqlite_store import SqliteStore

ZONE = "Europe/Berlin"
MINUTE_MS = 60_000
HOUR_MS = 3_600_000
MONDAY_MS = int(dt.datetime(2026, 1, 12, tzinfo=ZoneInfo(ZONE)).timestamp() * 1000)
WEEK_MS = 168 * HOUR_MS
WINDOW = AcclimationWindow(rh_percent=Bounds(30.0, 50.0))
ROOM = Room("oak", "Oak store", WINDOW)
SITE = Site("Invented joinery", ZONE, rooms=(ROOM,), sensors=(Sensor("a", "oak"),))
TWO = replace(SITE, sensors=(Sensor("a", "oak"), Sensor("b", "oak")))

Tell = Callable[..., None]


def every(minutes: int, from_ms: int = MONDAY_MS, to_ms: int = MONDAY_MS + WEEK_MS) -> np.ndarray:
    """Give instants so many minutes apart."""
    return np.arange(from_ms, to_ms, minutes * MINUTE_MS)


def hours(week: Week) -> tuple[float, float, float]:
    """Give the hours within, outside and not known."""
    return week.within_ms / HOUR_MS, week.outside_ms / HOUR_MS, week.not_known_ms / HOUR_MS


def the_week(store: SqliteStore, site: Site = SITE, window: AcclimationWindow | None = None) -> Week:
    """Give the week of 12 January 2026."""
    (week,) = week_by_week(store.read, site, site.rooms[0], MONDAY_MS, MONDAY_MS + WEEK_MS, window=window)
    return week


def test_a_week_by_hand(store: SqliteStore, tell: Tell) -> None:
    """156 hours at 40 % RH and twelve at 60 %, at 70 °F: every figure follows by hand.

    EMC at 70 °F: 7.7 % at 40 % RH, 11.0 % at 60 % RH (Wood Handbook, FPL-GTR-282, Table 4-2).
    """
    at_ms = every(10)
    noon_ms = MONDAY_MS + 84 * HOUR_MS
    damp = (at_ms >= noon_ms) & (at_ms < noon_ms + 12 * HOUR_MS)
    tell(at_ms, 21.111, np.where(damp, 60.0, 40.0))
    week = the_week(store)
    assert hours(week) == (156.0, 12.0, 0.0)
    assert week.coverage == 1.0
    assert week.longest_outside == Span(noon_ms, noon_ms + 12 * HOUR_MS)
    assert week.longest_outside_ms == 12 * HOUR_MS
    assert week.strip == "." * 84 + "x" * 12 + "." * 72
    assert week.state is WeekState.OUT_OF_RANGE
    (passed,) = week.passed
    assert (passed.quantity, passed.side, passed.bound, passed.lasted_ms, passed.worst) == (
        "rh_percent", "above", 50.0, 12 * HOUR_MS, 60.0,
    )  # fmt: skip
    rh, temperature, emc = week.rh_percent, week.temperature_c, week.hourly_emc_percent
    assert rh is not None
    assert (rh.mean, rh.minimum, rh.maximum, rh.coverage) == (
        pytest.approx((156 * 40 + 12 * 60) / 168),
        40.0,
        60.0,
        1.0,
    )
    assert temperature is not None
    assert (temperature.mean, temperature.minimum, temperature.maximum) == (21.111, 21.111, 21.111)
    assert emc is not None
    assert emc.hours == 168
    assert (emc.lowest, emc.highest) == (pytest.approx(7.7, abs=0.05), pytest.approx(11.0, abs=0.05))
    assert emc.mean == pytest.approx((156 * emc.lowest + 12 * emc.highest) / 168, rel=1e-12)


def test_the_mean_of_hourly_emc_is_not_the_emc_of_the_mean_climate(store: SqliteStore, tell: Tell) -> None:
    """Half a week at 20 % and half at 90 % RH: the two differ by more than a per cent of moisture content."""
    at_ms = every(10)
    tell(at_ms, 20.0, np.where(at_ms < MONDAY_MS + WEEK_MS // 2, 20.0, 90.0))
    week = the_week(store)
    assert week.hourly_emc_percent is not None
    assert week.rh_percent is not None
    halves = (float(emc_percent(20.0, 20.0)) + float(emc_percent(20.0, 90.0))) / 2
    assert week.hourly_emc_percent.mean == pytest.approx(halves, rel=1e-12)
    assert week.hourly_emc_percent.mean - float(emc_percent(20.0, week.rh_percent.mean)) > 1.0


@pytest.mark.parametrize(("monday", "length"), [((2026, 3, 23), 167), ((2026, 10, 19), 169)])
def test_a_week_in_which_the_clocks_change(
    store: SqliteStore, tell: Tell, monday: tuple[int, int, int], length: int
) -> None:
    """All hours of the week count, once each: 167 in spring and 169 in autumn."""
    begins_ms = int(dt.datetime(*monday, tzinfo=ZoneInfo(ZONE)).timestamp() * 1000)
    tell(every(10, begins_ms - WEEK_MS, begins_ms + 2 * WEEK_MS), 20.0, 40.0)
    weeks = week_by_week(store.read, SITE, ROOM, begins_ms - HOUR_MS, begins_ms + (length + 1) * HOUR_MS)
    assert [hours(week)[0] for week in weeks] == [1.0, length, 1.0]
    assert [week.whole for week in weeks] == [False, True, False]
    assert weeks[1].hourly_emc_percent is not None
    assert weeks[1].hourly_emc_percent.hours == length
    assert weeks[1].state is WeekState.IN_RANGE


def test_a_gap_is_neither_within_nor_outside(store: SqliteStore, tell: Tell) -> None:
    """Two days without readings are two days not known, but for the half hour that the last reading covers."""
    at_ms = every(10)
    there = (at_ms < MONDAY_MS + 48 * HOUR_MS) | (at_ms >= MONDAY_MS + 96 * HOUR_MS)
    tell(at_ms[there], 20.0, 40.0)
    week = the_week(store)
    # The last reading before the gap, at 23:50, covers three of the usual ten minutes: until 00:20.
    lost = 48.0 - 20 / 60
    assert hours(week) == (pytest.approx(168.0 - lost), 0.0, pytest.approx(lost))
    assert week.coverage == pytest.approx((168.0 - lost) / 168.0)
    assert week.strip == "." * 48 + "?" * 48 + "." * 72
    assert week.state is WeekState.NOT_KNOWN
    assert week.rh_percent is not None
    assert week.rh_percent.coverage == pytest.approx(week.coverage)


def test_time_outside_does_not_bridge_a_gap(store: SqliteStore, tell: Tell) -> None:
    """Twenty minutes outside on either side of a gap are two short times outside, not one long one."""
    at_ms = every(10)
    at_ms = at_ms[(at_ms < MONDAY_MS + 600 * MINUTE_MS) | (at_ms >= MONDAY_MS + 900 * MINUTE_MS)]
    near = (at_ms >= MONDAY_MS + 590 * MINUTE_MS) & (at_ms < MONDAY_MS + 910 * MINUTE_MS)
    tell(at_ms, 20.0, np.where(near, 55.0, 40.0))
    patient = replace(WINDOW, dwell_s=3600.0)
    week = the_week(store, window=patient)
    # The reading at 09:50 covers 30 minutes, the one at 15:00 for ten.
    assert week.outside_ms == 40 * MINUTE_MS
    assert week.longest_outside_ms == 30 * MINUTE_MS
    assert week.state is WeekState.BRIEFLY_OUT
    assert the_week(store).state is WeekState.OUT_OF_RANGE  # half an hour is the room's dwell time


def test_left_is_left_however_little_else_is_known(store: SqliteStore, tell: Tell) -> None:
    """Two hours outside in an otherwise silent week are a week that went out of range."""
    tell(every(10, to_ms=MONDAY_MS + 2 * HOUR_MS), 20.0, 60.0)
    week = the_week(store)
    assert week.coverage < 0.02
    assert week.state is WeekState.OUT_OF_RANGE


def test_a_room_is_as_bad_as_its_worst_sensor(store: SqliteStore, tell: Tell) -> None:
    """One sensor outside on Tuesday, the other on Wednesday from noon: outside for 36 hours in all, 36 at a stretch."""
    at_ms = every(10)
    day = (at_ms - MONDAY_MS) // (24 * HOUR_MS)
    tell(at_ms, 20.0, np.where(day == 1, 25.0, 40.0), sensor="a")
    tell(at_ms, 22.0, np.where((at_ms - MONDAY_MS) // (12 * HOUR_MS) == 4, 60.0, 44.0), sensor="b")
    week = the_week(store, TWO)
    assert hours(week) == (132.0, 36.0, 0.0)
    assert week.longest_outside_ms == 36 * HOUR_MS
    assert [(p.side, p.lasted_ms // HOUR_MS, p.worst) for p in week.passed] == [
        ("below", 24, 25.0),
        ("above", 12, 60.0),
    ]
    assert week.temperature_c is not None
    assert (week.temperature_c.mean, week.temperature_c.minimum, week.temperature_c.maximum) == (21.0, 20.0, 22.0)


def test_one_sensor_that_is_heard_vouches_for_the_room(store: SqliteStore, tell: Tell) -> None:
    """Where one sensor is silent the other still says how the room stands, and hours count once, not twice."""
    at_ms = every(10)
    tell(at_ms[at_ms < MONDAY_MS + 24 * HOUR_MS], 20.0, 40.0, sensor="a")
    tell(at_ms, 20.0, 44.0, sensor="b")
    week = the_week(store, TWO)
    assert hours(week) == (168.0, 0.0, 0.0)
    assert week.hourly_emc_percent is not None
    first, rest = float(emc_percent(20.0, 40.0)), float(emc_percent(20.0, 44.0))
    # In the first day's hours the mean of both counts; the first sensor vouches on for twenty minutes only.
    assert week.hourly_emc_percent.mean == pytest.approx((24 * (first + rest) / 2 + 144 * rest) / 168, rel=1e-12)
    assert week.hourly_emc_percent.hours == 168


def test_a_missing_quantity_withholds_within_but_not_outside(store: SqliteStore, tell_one: Tell) -> None:
    """RH without temperature cannot say that a window on both is kept, but it can say that it is left."""
    at_ms = every(10)
    tell_one("a", "rh_percent", at_ms, np.where(at_ms < MONDAY_MS + 24 * HOUR_MS, 60.0, 40.0))
    both = AcclimationWindow(Bounds(16.0, 24.0), Bounds(30.0, 50.0))
    assert hours(the_week(store, window=both)) == (0.0, 24.0, 144.0)
    assert hours(the_week(store)) == (144.0, 24.0, 0.0)


def test_another_window_may_be_asked_about(store: SqliteStore, tell: Tell) -> None:
    """A window given is judged by instead of the room's, whole; open ends are open."""
    tell(every(10), 20.0, 40.0)  # EMC 7.7 %
    assert the_week(store).state is WeekState.IN_RANGE
    for window, state in [
        (AcclimationWindow(emc_percent=Bounds(6.0, 9.0)), WeekState.IN_RANGE),
        (AcclimationWindow(emc_percent=Bounds(8.0, 9.0)), WeekState.OUT_OF_RANGE),
        (AcclimationWindow(rh_percent=Bounds(None, 35.0)), WeekState.OUT_OF_RANGE),
        (AcclimationWindow(rh_percent=Bounds(35.0, None)), WeekState.IN_RANGE),
    ]:
        assert the_week(store, window=window).state is state


def test_a_bound_itself_is_inside(store: SqliteStore, tell: Tell) -> None:
    """Exactly 50 % at a bound of 50 % is within."""
    tell(every(10), 20.0, 50.0)
    assert hours(the_week(store)) == (168.0, 0.0, 0.0)


def test_a_room_without_a_window_is_not_judged(store: SqliteStore, tell: Tell) -> None:
    """Figures and coverage are given, and the state says that there is nothing to judge by."""
    tell(every(10), 20.0, 40.0)
    bare = replace(SITE, rooms=(replace(ROOM, window=None),))
    week = the_week(store, bare)
    assert (week.state, week.coverage, week.passed) == (WeekState.NO_WINDOW, 1.0, ())


def test_a_room_that_nobody_watches(store: SqliteStore) -> None:
    """Without a sensor, and without a reading, every week is there and nothing of it is known."""
    for site in (SITE, replace(SITE, sensors=())):
        weeks = week_by_week(store.read, site, ROOM, MONDAY_MS, MONDAY_MS + 8 * WEEK_MS)
        assert len(weeks) == 8
        for week in weeks:
            assert (week.state, hours(week)) == (WeekState.NOT_KNOWN, (0.0, 0.0, 168.0))
            assert (week.temperature_c, week.rh_percent, week.hourly_emc_percent) == (None, None, None)
    assert week_by_week(store.read, SITE, ROOM, MONDAY_MS, MONDAY_MS) == []


def test_weeks_do_not_depend_on_how_many_are_asked_for(store: SqliteStore, tell: Tell) -> None:
    """Thirty weeks asked for at once are the same as each alone, also where a reading holds into the next week."""
    rng = np.random.default_rng(7)
    at_ms = MONDAY_MS + np.cumsum(rng.integers(5, 40, 12_000)) * MINUTE_MS
    tell(at_ms, rng.uniform(15, 25, len(at_ms)), rng.uniform(28, 52, len(at_ms)))
    together = week_by_week(store.read, SITE, ROOM, MONDAY_MS, MONDAY_MS + 26 * WEEK_MS)
    assert len(together) == 27  # the clocks have gone forward meanwhile, so that the last hour is of another week
    for week in together:
        (alone,) = week_by_week(store.read, SITE, ROOM, *week.looked_at)
        assert (alone.within_ms, alone.outside_ms, alone.longest_outside) == (
            week.within_ms, week.outside_ms, week.longest_outside,
        )  # fmt: skip
        assert alone.temperature_c is not None
        assert week.temperature_c is not None
        assert alone.temperature_c.mean == pytest.approx(week.temperature_c.mean, rel=1e-11)


class Plain:
    """The slow and plain way: look at every minute, ask the store what holds then. Instants are whole minutes."""

    def __init__(self, store: SqliteStore, sensors: Sequence[str], week: Span) -> None:
        self.week = week
        self.told = {(sensor, name): self._series(store, sensor, name) for sensor in sensors for name in NAMES}
        self.sensors = sensors

    def _series(self, store: SqliteStore, sensor: str, name: str) -> list[float | None]:
        key, (from_ms, to_ms) = SeriesKey(sensor, name), self.week
        series = store.read.read(key, from_ms - 3 * HOUR_MS, to_ms)
        # Asked for widely: what the store calls a gap depends on readings around it, also beyond the week's ends.
        gaps = store.read.gaps(key, from_ms - 24 * HOUR_MS, to_ms + 24 * HOUR_MS)
        at_ms, value = series.at_ms.tolist(), series.value.tolist()
        found: list[float | None] = []
        for minute_ms in range(from_ms, to_ms, MINUTE_MS):
            index = bisect.bisect_right(at_ms, minute_ms) - 1
            silent = any(gap.from_ms <= minute_ms < gap.to_ms for gap in gaps)
            found.append(None if silent or index < 0 else value[index])
        return found

    def stands(self, minute: int, window: AcclimationWindow) -> str:
        """Say how the room stands in a minute."""
        kept = False
        for sensor in self.sensors:
            values = [(self.told[sensor, name][minute], bound) for name, bound in window.bounds().items()]
            if any(value is not None and bound.excess(value) for value, bound in values):
                return "outside"
            kept = kept or all(value is not None for value, _ in values)
        return "within" if kept else "not known"


NAMES = ("temperature_c", "rh_percent", "emc_percent")


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_against_counting_minute_by_minute(store: SqliteStore, tell_one: Tell, seed: int) -> None:
    """Two sensors, quantities at different instants, gaps: hours, means, extremes and the longest time all agree."""
    rng = np.random.default_rng(seed)
    for sensor in ("a", "b"):
        for name, low, high in (("temperature_c", 14.0, 26.0), ("rh_percent", 26.0, 56.0)):
            steps = rng.choice([1, 2, 3, 5, 240], 4000, p=[0.3, 0.3, 0.2, 0.194, 0.006])
            at_ms = MONDAY_MS - 24 * HOUR_MS + np.cumsum(steps) * MINUTE_MS
            drift = np.interp(np.arange(4000), np.arange(0, 4000, 100), rng.uniform(low, high, 40))
            tell_one(sensor, name, at_ms, drift)
    window = AcclimationWindow(Bounds(16.0, 24.0), Bounds(30.0, 50.0), Bounds(6.0, 9.0))
    week = the_week(store, TWO, window)
    plain = Plain(store, ("a", "b"), week.looked_at)
    stood = [plain.stands(minute, window) for minute in range(168 * 60)]
    counted = tuple(stood.count(state) * MINUTE_MS for state in ("within", "outside", "not known"))
    assert (week.within_ms, week.outside_ms, week.not_known_ms) == counted
    assert min(counted) > HOUR_MS
    for hour, mark in enumerate(week.strip):
        here = stood[hour * 60 : hour * 60 + 60]
        assert mark == ("x" if "outside" in here else "." if here.count("within") >= 30 else "?")
    runs = "".join("o" if state == "outside" else " " for state in stood).split()
    assert week.longest_outside_ms == max(map(len, runs)) * MINUTE_MS
    for name, spread in (("temperature_c", week.temperature_c), ("rh_percent", week.rh_percent)):
        values = [value for sensor in "ab" for value in plain.told[sensor, name] if value is not None]
        assert spread is not None
        assert spread.mean == pytest.approx(sum(values) / len(values), rel=1e-10)
        assert (spread.minimum, spread.maximum) == (min(values), max(values))
    for passed in week.passed:
        bound = Bounds(passed.bound, None) if passed.side == "below" else Bounds(None, passed.bound)
        minutes = [
            any(
                (value := plain.told[sensor, passed.quantity][minute]) is not None and bound.excess(value)
                for sensor in "ab"
            )
            for minute in range(168 * 60)
        ]
        assert passed.lasted_ms == sum(minutes) * MINUTE_MS
    assert len(week.passed) == 6
    assert week.hourly_emc_percent is not None
    hourly = plain_hourly(plain)
    means = [sum(of_hour) / len(of_hour) for of_hour in hourly if of_hour]
    assert week.hourly_emc_percent.hours == len(means)
    assert week.hourly_emc_percent.mean == pytest.approx(sum(means) / len(means), rel=1e-10)
    assert week.hourly_emc_percent.lowest == pytest.approx(min(map(min, filter(None, hourly))), rel=1e-10)
    assert week.hourly_emc_percent.highest == pytest.approx(max(map(max, filter(None, hourly))), rel=1e-10)


def plain_hourly(plain: Plain) -> list[list[float]]:
    """Give, for each hour, the mean EMC of each sensor that told it for half an hour or more."""
    found = []
    for hour in range(168):
        by_sensor = []
        for sensor in plain.sensors:
            told = [v for v in plain.told[sensor, "emc_percent"][hour * 60 : hour * 60 + 60] if v is not None]
            if len(told) >= 30:
                by_sensor.append(sum(told) / len(told))
        found.append(by_sensor)
    return found


def test_each_week_is_judged_by_the_window_of_its_time(store) -> None:
    """Air at 58 % and then at 40 %: kept before a phase that allows no more than 50 %, and after it; out, by another
    window than that of the time, would be the first weeks. A phase that begins in mid-week cuts its week."""
    wide, tight = AcclimationWindow(rh_percent=Bounds(30, 65)), AcclimationWindow(rh_percent=Bounds(30, 50))
    day_ms = WEEK_MS // 7
    changed_ms = MONDAY_MS + WEEK_MS + 2 * day_ms
    first_day = dt.datetime.fromtimestamp(changed_ms / 1000, ZoneInfo(SITE.time_zone)).date().isoformat()
    room = replace(ROOM, window=wide, phases=(Phase("in service", first_day, tight),))
    site = replace(SITE, rooms=(room,))
    readings = []
    for at_ms in range(MONDAY_MS, MONDAY_MS + 3 * WEEK_MS, 600_000):
        rh = 40.0 if at_ms >= MONDAY_MS + 2 * WEEK_MS else 58.0
        readings += [
            Reading(site.sensors[0].id, "temperature_c", 20.0, at_ms, Stamp.SENSOR),
            Reading(site.sensors[0].id, "rh_percent", rh, at_ms, Stamp.SENSOR),
        ]
    with store.transaction() as work:
        work.append(ReadingBatch.of(readings), heard_ms=0)
    first, second, third = week_by_week(store.read, site, room, MONDAY_MS, MONDAY_MS + 3 * WEEK_MS)
    assert (first.state, first.outside_ms, first.passed) == (WeekState.IN_RANGE, 0, ())
    assert second.state is WeekState.OUT_OF_RANGE
    assert second.outside_ms == pytest.approx(5 * day_ms, abs=3_600_000)
    assert [(one.quantity, one.side, one.bound) for one in second.passed] == [("rh_percent", "above", 50)]
    assert third.outside_ms == 0


def test_a_week_that_spans_a_phase_has_worst_and_dwell_time_of_each_window(store: SqliteStore, tell: Tell) -> None:
    """58 % under a window up to 55, then 48 % under one up to 45: each bound with the worst of its own time. What was
    out for four hours of each is not eight hours of either: a new window begins all continuity anew."""
    day_ms = WEEK_MS // 7
    change_ms = MONDAY_MS + 3 * day_ms
    first_day = dt.datetime.fromtimestamp(change_ms / 1000, ZoneInfo(ZONE)).date().isoformat()
    six_hours = {"dwell_s": 6 * 3600.0}
    before, after = (AcclimationWindow(rh_percent=Bounds(30, high), **six_hours) for high in (55, 45))
    room = replace(ROOM, window=before, phases=(Phase("in service", first_day, after),))
    at_ms = every(10)
    near = np.abs(at_ms - change_ms) < 4 * HOUR_MS
    tell(at_ms, 20.0, np.where(~near, 40.0, np.where(at_ms < change_ms, 58.0, 48.0)))
    (week,) = week_by_week(store.read, replace(SITE, rooms=(room,)), room, MONDAY_MS, MONDAY_MS + WEEK_MS)
    assert [(one.bound, one.worst) for one in week.passed] == [(55, 58.0), (45, 48.0)]
    assert week.longest_outside_ms == pytest.approx(8 * HOUR_MS, abs=HOUR_MS / 3)
    assert week.state is WeekState.BRIEFLY_OUT


def test_what_lasts_through_a_weeks_end_counts_in_both_weeks(store: SqliteStore, tell: Tell) -> None:
    """Outside from 20 minutes before midnight on Sunday to 20 after: the watch opens an incident after half an hour."""
    ends_ms = MONDAY_MS + WEEK_MS
    at_ms = every(10, to_ms=ends_ms + WEEK_MS)
    tell(at_ms, 20.0, np.where(np.abs(at_ms - ends_ms + 1) <= 20 * MINUTE_MS, 60.0, 40.0))
    states = [one.state for one in week_by_week(store.read, SITE, ROOM, MONDAY_MS, ends_ms + WEEK_MS)]
    assert states == [WeekState.OUT_OF_RANGE, WeekState.OUT_OF_RANGE]
    assert [week_by_week(store.read, SITE, ROOM, *part)[0].state for part in ((MONDAY_MS, ends_ms),)] == states[:1]
