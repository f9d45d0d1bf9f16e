"""The rules beside the window: each finds what it is for, leaves ordinary days alone, and can be switched off."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pytest

from adapters.contract import Reading, Stamp
from ingest.present import digits
from ingest.present.incident_kinds import KINDS
from ingest.site.actor import SETTINGS
from ingest.site.incidents import Incident, IncidentKind, Severity
from ingest.site.places import AcclimationWindow, Bounds, Place, Room, Sensor, Site
from ingest.site.rules import Rules
from ingest.site.series import ReadingBatch
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.rules.rulebook import RULEBOOK
from ingest.watch.rules.ruling import judge_rules

T0_MS = 1_795_564_800_000  # Wed 25 Nov 2026, 00:00 UTC
MINUTE_MS = 60_000
DAY = 1440
WINDOW = AcclimationWindow(Bounds(18.0, 24.0), Bounds(35.0, 55.0))
SENSORS = (
    Sensor("a", "store", title="north wall"),
    Sensor("b", "store"),
    Sensor("floor", "store", Place.SURFACE),
    Sensor("slab", "store", Place.SLAB),
    Sensor("out", "store", Place.OUTLET),
)
QUIET = Rules(*[None] * 10)
Course = Callable[[int], float]


@dataclass
class House:
    """A store with a room in it, and what was heard there."""

    store: SqliteStore
    rules: Rules = QUIET
    readings: list[Reading] = field(default_factory=list)
    window: AcclimationWindow | None = WINDOW

    @property
    def site(self) -> Site:
        room = Room("store", "Store", self.window, rules=self.rules)
        return Site("An invented site", rooms=(room,), sensors=SENSORS)

    def hear(self, sensor: str, quantity: str, minutes: range, course: Course | float) -> None:
        """Take down a course of one quantity, to be stored."""
        for at in minutes:
            value = course(at) if callable(course) else course
            self.readings.append(Reading(sensor, quantity, value, T0_MS + at * MINUTE_MS, Stamp.SENSOR))

    def air(self, sensor: str, minutes: range, temperature: Course | float, rh: Course | float) -> None:
        """Take down a room's air."""
        self.hear(sensor, "temperature_c", minutes, temperature)
        self.hear(sensor, "rh_percent", minutes, rh)

    def live(self, every: int = 5) -> list[Incident]:
        """Live through all that was heard, looking every so many minutes; give what was told."""
        told: list[Incident] = []
        self.readings.sort(key=lambda reading: reading.at_ms)
        end = (self.readings[-1].at_ms - T0_MS) // MINUTE_MS
        taken = 0
        for at in range(0, end + every, every):
            now_ms = T0_MS + at * MINUTE_MS
            until = taken
            while until < len(self.readings) and self.readings[until].at_ms <= now_ms:
                until += 1
            batch = ReadingBatch.of(self.readings[taken:until])
            taken = until
            with self.store.transaction() as work:
                work.append(batch, heard_ms=now_ms)
                told += judge_rules(work, self.site, now_ms=now_ms)
        return told


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    """A house of its own."""
    with SqliteStore.open(tmp_path / "lumberroom.sqlite3") as store:
        yield House(store)


def told(incidents: list[Incident]) -> list[tuple[str, str, int, bool]]:
    """Give sensor, kind, the minute of opening or closing, and whether it is open."""
    return [
        (i.sensor, i.kind.value, ((i.opened_ms if i.is_open else i.closed_ms or 0) - T0_MS) // MINUTE_MS, i.is_open)
        for i in incidents
    ]


def noise(seed: int, spread: float) -> Callable[[int], float]:
    """Give noise that is the same each time, by minute."""
    values = np.random.default_rng(seed).normal(0.0, spread, 50_000)
    return lambda at: round(float(values[at]), 2)


def test_an_open_window_is_told_as_a_fast_change(house: House) -> None:
    """RH that rises by 15 points within half an hour is told after ten minutes beyond ten; it is over an hour on."""
    house.rules = replace(QUIET, rh_change_percent=10.0)
    house.air("a", range(400), 21.0, lambda at: 40.0 + 0.5 * min(max(at - 120, 0), 30))
    found = house.live()
    assert told(found) == [("a", "change", 151, True), ("a", "change", 254, False)]
    assert 'RH change in an hour at the sensor "north wall" has been above 10 points' in found[0].reason
    assert house.store.read.incidents()[0].worst_value == 15.0


def test_a_door_opened_for_five_minutes_is_no_fast_change(house: House) -> None:
    """A short gust, and its echo an hour later, is nobody's business."""
    house.rules = replace(QUIET, rh_change_percent=10.0)
    house.air("a", range(300), 21.0, lambda at: 65.0 if 120 <= at < 125 else 45.0)
    assert house.live() == []


def test_a_drift_towards_the_bound_is_told_before_it_is_out(house: House) -> None:
    """RH that climbs 1.5 points an hour through noise is told hours before it passes the bound, and not before."""
    house.rules = replace(QUIET, heading_out_hours=4.0)
    wobble = noise(5, 0.3)
    house.air("a", range(900), 21.0, lambda at: 42.0 + max(at - 240, 0) * 1.5 / 60 + wobble(at))
    [opened] = house.live()
    passes = 240 + (55.0 - 42.0) / 1.5 * 60
    hours_before = (passes - (opened.opened_ms - T0_MS) / MINUTE_MS) / 60
    assert 1.5 < hours_before < 4.0
    assert "by its trend" in opened.reason.lower()


def test_noise_and_a_daily_swing_head_nowhere(house: House) -> None:
    """A room that swings by four points a day well inside its window, with sensor noise, is never told as leaving."""
    house.rules = replace(QUIET, heading_out_hours=4.0)
    wobble = noise(6, 0.4)
    house.air("a", range(0, 3 * DAY, 2), 21.0, lambda at: 45.0 + 2 * float(np.sin(at / DAY * 2 * np.pi)) + wobble(at))
    assert house.live(every=30) == []


def test_a_floor_near_the_dew_point_is_told(house: House) -> None:
    """At 20 °C and 60 % RH the dew point is 12.0 °C (any psychrometric chart): 14 °C is within 3 K of it."""
    house.rules = replace(QUIET, condensation_margin_c=3.0)
    house.air("a", range(200), 20.0, 60.0)
    house.hear("floor", "surface_temperature_c", range(200), lambda at: 18.0 if at < 60 else 14.0)
    [opened] = house.live()
    assert told([opened]) == [("floor", "condensation", 70, True)]
    assert opened.worst_value == pytest.approx(2.0, abs=0.05)


def test_a_slab_above_its_limit_is_told_after_six_hours(house: House) -> None:
    """78 % in the slab against 75 %: told once it has lasted six hours; 74 % is not."""
    house.rules = replace(QUIET, slab_rh_percent=75.0)
    house.hear("slab", "slab_rh_percent", range(0, DAY, 10), lambda at: 74.0 if at < 300 else 78.0)
    assert told(house.live(every=10)) == [("slab", "slab", 660, True)]


def test_a_stuck_sensor_is_told_and_a_steady_room_is_not(house: House) -> None:
    """Thirty hours of the very same figures are told; a sensor whose last digit moves now and then is not stuck."""
    house.rules = replace(QUIET, stuck_hours=24.0)
    house.air("a", range(0, 2 * DAY, 5), 21.0, lambda at: 45.0 if at > 300 else 44.0)
    house.air("b", range(0, 2 * DAY, 5), 21.0, lambda at: 45.0 + 0.1 * (at // 600 % 2))
    found = house.live(every=30)
    assert [(i.sensor, i.kind) for i in found] == [("a", IncidentKind.STUCK)]


def test_sensors_that_disagree_are_told_apart(house: House) -> None:
    """A sensor ten points above its neighbour for twelve hours is told; four points are within what sensors may do."""
    house.rules = replace(QUIET, apart_percent=8.0)
    house.air("a", range(0, 2 * DAY, 5), 21.0, lambda at: 45.0 if at < DAY else 55.0)
    house.air("b", range(0, 2 * DAY, 5), 21.0, lambda at: 41.0 if at < DAY else 45.0)
    found = house.live(every=30)
    assert sorted((i.sensor, i.kind.value) for i in found) == [("a", "apart"), ("b", "apart")]
    assert all(i.opened_ms >= T0_MS + (DAY + 600) * MINUTE_MS for i in found)


def test_a_low_battery_is_told_once_and_over_when_changed(house: House) -> None:
    """15 % is the line; a battery that wavers about it is told once; a new one ends it."""
    house.rules = replace(QUIET, battery_percent=15.0)
    house.hear("slab", "battery_percent", range(0, 900, 10), lambda at: 16.0 - at // 100 % 2 * 2 if at < 800 else 99.0)
    assert told(house.live(every=10)) == [("slab", "battery", 100, True), ("slab", "battery", 800, False)]


def test_a_clock_that_was_ahead_does_not_stop_the_rules(house: House) -> None:
    """Rules judged while the clock was days ahead go on when it has been set back."""
    house.rules = replace(QUIET, battery_percent=15.0)
    house.hear("slab", "battery_percent", range(5 * DAY, 5 * DAY + 20, 10), 80.0)
    assert house.live(every=60) == []
    house.readings = []
    house.hear("slab", "battery_percent", range(0, 60, 10), 10.0)
    assert told(house.live(every=10)) == [("slab", "battery", 0, True)]


def test_a_damp_month_is_told_by_its_mean(house: House) -> None:
    """A month at 84 % and 12 °C, of which 24 days are known, is told; a fortnight of it after a dry one is not yet."""
    house.rules = replace(QUIET, mould_rh_percent=80.0)
    house.air("a", range(0, 32 * DAY, 30), 12.0, 84.0)
    house.air("b", range(0, 32 * DAY, 30), 12.0, lambda at: 60.0 if at < 15 * DAY else 84.0)
    found = house.live(every=360)
    assert [(i.sensor, i.kind.value, (i.opened_ms - T0_MS) // (DAY * MINUTE_MS)) for i in found] == [("a", "mould", 24)]


def test_a_dehumidifier_that_dries_nothing_is_told(house: House) -> None:
    """Air leaving it at 4 gr/lb below the room's for two hours is told; at 16 gr/lb below it is not (27 °C, 60 %)."""
    house.rules = replace(QUIET, depression_gpp=5.0)
    house.air("a", range(600), 27.0, 60.0)
    house.air("out", range(600), 27.0, lambda at: 48.0 if at < 200 else 57.5)
    [opened] = house.live()
    assert told([opened]) == [("out", "drying", 320, True)]
    assert opened.worst_value == pytest.approx(4.0, abs=0.5)


def test_a_rule_that_is_switched_off_closes_what_it_opened(house: House) -> None:
    """Nothing stays open that nobody watches any more, and it is said to be no all-clear."""
    house.rules = replace(QUIET, battery_percent=15.0)
    house.hear("slab", "battery_percent", range(0, 60, 10), 5.0)
    assert len(house.live()) == 1
    house.rules, house.readings = QUIET, []
    house.hear("slab", "battery_percent", range(100, 120, 10), 5.0)
    [closed] = house.live()
    assert not closed.is_open
    assert "switched off" in closed.reason


def test_rules_stand_where_they_stood_after_a_restart(house: House) -> None:
    """Judged round by round or all at once, and whether or not looked at in between, an excursion is the same."""
    house.rules = Rules()
    house.air("a", range(600), 21.0, lambda at: 40.0 + 0.5 * min(max(at - 120, 0), 30))
    rounds = [replace(i, reason="") for i in house.live(every=5)]
    assert len([i for i in rounds if i.kind is IncidentKind.CHANGE]) == 2
    with SqliteStore.open(house.store.path.with_name("again.sqlite3")) as store:
        again = House(store, house.rules, list(house.readings))
        at_once = again.live(every=600)
        change = [i for i in store.read.incidents() if i.kind is IncidentKind.CHANGE]
    assert [i.kind for i in at_once if i.kind is IncidentKind.CHANGE]
    ours = [i for i in house.store.read.incidents() if i.kind is IncidentKind.CHANGE]
    assert [(i.began_ms, i.opened_ms, i.closed_ms, i.worst_value) for i in change] == [
        (i.began_ms, i.opened_ms, i.closed_ms, i.worst_value) for i in ours
    ]


def test_every_rule_has_its_setting_its_words_and_its_digits() -> None:
    """The book is whole: a setting with a default or switched off, words for its kind, a way to print its figure."""
    settings = {entry.setting for entry in RULEBOOK}
    of_severity = {"serious_margins", "serious_margin_hours", "severe_margins", "severe_margin_hours"}
    assert (settings - {""}) | of_severity == set(Rules.__dataclass_fields__)
    assert all(name in (Rules.__doc__ or "") for name in settings | of_severity)
    assert {entry.kind for entry in RULEBOOK} <= set(KINDS)
    assert {entry.quantity for entry in RULEBOOK} <= set(digits.DISPLAYS)


@pytest.mark.parametrize("limit", [0.0, -1.0, float("nan")])
def test_a_limit_that_can_be_no_limit_is_refused(limit: float) -> None:
    """Limits are above nought."""
    with pytest.raises(ValueError, match="must be above 0"):
        Rules(slab_rh_percent=limit)


def damp_floor(house: House, hours: int) -> None:
    """Take down a floor that is wet from condensation for so many hours."""
    house.rules = replace(QUIET, condensation_margin_c=3.0)
    house.air("a", range(hours * 60), 21.0, 60.0)  # dew point 12.9 °C
    house.hear("floor", "surface_temperature_c", range(hours * 60), 12.0)


def test_an_incident_that_goes_on_does_not_fill_the_record(house: House) -> None:
    """A wet floor is looked at for two days, told once, and written only as its sum takes a step."""
    damp_floor(house, 48)
    found = house.live(15)
    assert [(one.kind, one.severity) for one in found] == [(IncidentKind.CONDENSATION, Severity.SEVERE)]
    kept = [entry.body["excess_hours"] for entry in house.store.read.history("incident", found[0].id)]
    assert kept[-1] == 150.0  # 3.9 K short of the margin, for 48 hours: 186 K h, told as the step below
    grown = [amount for amount in kept if amount]
    assert grown == sorted(set(grown))
    assert len(kept) <= len(grown) + 2


def test_an_incident_that_turns_out_worse_is_told_again(house: House) -> None:
    """What was put down as slight, and is severe as judged now, is told once more, as severe."""
    damp_floor(house, 3)
    first = house.live()[0]
    now_ms = house.readings[-1].at_ms + 5 * MINUTE_MS
    with house.store.transaction() as work:
        work.put_incident(replace(first, severity=Severity.SLIGHT), at_ms=now_ms, by=SETTINGS)
    later = []
    for minute in range(180, 200, 5):
        house.readings = []
        house.air("a", range(minute, minute + 5), 21.0, 60.0)
        house.hear("floor", "surface_temperature_c", range(minute, minute + 5), 12.0)
        now_ms = house.readings[-1].at_ms
        batch = ReadingBatch.of(house.readings)
        with house.store.transaction() as work:
            work.append(batch, heard_ms=now_ms)
            later += judge_rules(work, house.site, now_ms=now_ms)
    assert [(one.id, one.severity, one.is_open) for one in later] == [(first.id, Severity.SEVERE, True)]
