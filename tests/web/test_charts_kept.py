"""Charts that are kept between looks: not drawn in vain, and never older than what was stored."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from dashboards.overview import gather as overview_gather
from dashboards.room import days_kept
from dashboards.room.charts_kept import ChartsKept
from dashboards.visit import Visit
from ingest.present.digits import Units
from ingest.site.incidents import RoomState
from ingest.site.places import AcclimationWindow, Bounds, Room, Sensor


class Counting:
    """A store's reader that counts how often days are asked for."""

    def __init__(self, read: Any) -> None:
        self._read = read
        self.asked: list[tuple[str, ...]] = []

    def __getattr__(self, name: str) -> Any:
        return getattr(self._read, name)

    def buckets_of(self, keys: Any, edges_ms: Any) -> Any:
        """Ask for the day of some series."""
        self.asked.append(tuple(sorted({key.sensor for key in keys})))
        return self._read.buckets_of(keys, edges_ms)


class Silent(Counting):
    """A reader that cannot say whose past was written into, as that of a central engine."""

    def __getattr__(self, name: str) -> Any:
        if name == "rewritten":
            raise AttributeError(name)
        return super().__getattr__(name)


class Looking:
    """Somebody who looks at the overview again and again."""

    def __init__(self, services: Any, reader: type[Counting] = Counting) -> None:
        self.services = services
        self.charts = ChartsKept()
        self.read = reader(services.store.read)

    def look(self) -> dict[str, str]:
        """Give the rooms' charts."""
        return {card.id: str(card.chart) for card in self.page().rooms}

    def page(self) -> Any:
        """Give the whole page."""
        view = Visit.of(self.services, "/", None)
        asked = replace(view, services=_Over(self.services, self.read))
        return overview_gather.overview(asked, self.charts)


class _Over:
    """Services whose reader is another one."""

    def __init__(self, services: Any, read: Any) -> None:
        self._services = services
        self.read = read

    def __getattr__(self, name: str) -> Any:
        return getattr(self._services, name)


@pytest.fixture
def looking(services) -> Looking:
    """Somebody who has looked once."""
    made = Looking(services)
    made.look()
    return made


def path_of(chart: str) -> str:
    """Give what is drawn of the air: the paths and the marks."""
    return " ".join(re.findall(r'<(?:path class="wc-path|circle|rect class="wc-also)[^>]*>', chart))


def tell(services: Any, bench: Any, minutes: float, temperature_c: float, rh_percent: float) -> None:
    """Have the hall's sensor tell of so many minutes after the beginning of the test."""
    services.write(bench.air("hall-air", bench.now_ms + round(minutes * 60_000), temperature_c, rh_percent))


def test_an_unchanged_chart_is_not_drawn_twice(looking, services):
    """As long as nothing comes, no chart is drawn and no day asked for again, whatever the clock says within a step."""
    before, drawn = looking.look(), looking.charts.drawn
    assert drawn == 3
    for _ in range(5):
        services.clock.step_wall(60_000)
        assert looking.look() == before
    assert looking.charts.drawn == drawn
    assert looking.read.asked == [("hall-air", "loft-air")]


def test_a_new_reading_shows_at_once_and_only_its_room_is_drawn(looking, services, bench):
    """The mark moves with the next look; the other rooms' charts stay as they are, and no day is asked for again."""
    before = looking.look()
    services.clock.step_wall(60_000)
    tell(services, bench, 1, 21.4, 47.0)
    after = looking.look()
    assert "21.4 °C, 47.0 % RH" in after["hall"]
    assert path_of(after["hall"]) != path_of(before["hall"])
    assert (after["loft"], after["cellar"]) == (before["loft"], before["cellar"])
    assert looking.charts.drawn == 4
    assert len(looking.read.asked) == 1


def test_what_nobody_could_see_is_not_drawn(looking, services, bench):
    """A reading that moves the mark by less than a hair, and leaves the figures as they are printed, draws nothing."""
    tell(services, bench, 1, 21.44, 47.01)
    services.clock.step_wall(60_000)
    first, drawn = looking.look(), looking.charts.drawn
    services.clock.step_wall(60_000)
    tell(services, bench, 2, 21.4401, 47.02)
    assert looking.look() == first
    assert looking.charts.drawn == drawn


@pytest.mark.parametrize("hours", [2.0, 20.0])
def test_a_late_reading_shows_at_once(looking, services, bench, hours):
    """One that came hours late, between others, is in the path with the next look; only that sensor's day is asked."""
    before = looking.look()
    services.write(bench.air("hall-air", bench.now_ms - round(hours * 3_600_000) + 1234, 25.0, 60.0))
    after = looking.look()
    assert path_of(after["hall"]) != path_of(before["hall"])
    assert "temperature between 17.5 °C and 2" in after["hall"]
    assert after["loft"] == before["loft"]
    assert looking.read.asked[1:] == [("hall-air",)]


def test_a_corrected_reading_shows_at_once(looking, services, bench):
    """One that takes another's place in the past changes the path with the next look."""
    before = looking.look()
    services.write(bench.air("hall-air", bench.now_ms - 7_200_000, 30.0, 70.0))
    after = looking.look()
    assert path_of(after["hall"]) != path_of(before["hall"])
    assert looking.read.asked[1:] == [("hall-air",)]


def test_a_backlog_in_order_shows_at_once(services, bench):
    """What a sensor kept while out of reach, all newer than its last, is in the path although it is hours old."""
    services.clock.step_wall(6 * 3_600_000)
    looking = Looking(services)
    before = looking.look()
    for minutes in range(5, 300, 5):
        tell(services, bench, minutes, 19.0 + minutes / 100, 45.0)
    after = looking.look()
    assert path_of(after["hall"]) != path_of(before["hall"])
    assert after == Looking(services).look()


def test_a_changed_window_and_title_show_at_once(looking, services):
    """The bounds that hold now are drawn, and said."""
    before = looking.look()
    window = AcclimationWindow(Bounds(15, 20), Bounds(40, 50))
    site = services.held_site
    rooms = (replace(one, window=window, title="Big hall") if one.id == "hall" else one for one in site.rooms)
    services.held_site = replace(site, rooms=tuple(rooms))
    after = looking.look()
    assert "The window: temperature 15 to 20 °C, RH 40 to 50 %." in after["hall"]
    assert '<title id="chart-hall-title">Big hall: ' in after["hall"]
    assert after["loft"] == before["loft"]


def test_an_incident_shows_at_once(looking, services, bench):
    """A room that goes out of range is said to be out with the next look, with the figures that put it there."""
    for minutes in range(1, 15):
        services.clock.step_wall(60_000)
        tell(services, bench, minutes, 19.0, 60.0)
    page = looking.page()
    hall = next(card for card in page.rooms if card.id == "hall")
    assert hall.standing.key == RoomState.OUT_OF_RANGE.value
    assert "60.0 % RH" in str(hall.chart)
    assert page.summary[0].text == "Hall"
    assert page.summary[0].address == "#room-hall"


def test_units_are_not_mixed_up(looking, services):
    """Who likes Fahrenheit gets a chart of their own."""
    celsius = looking.look()["hall"]
    services.units = Units.US
    assert "°F" in looking.look()["hall"]
    services.units = Units.SI
    assert looking.look()["hall"] == celsius


def test_what_is_kept_is_what_would_be_drawn_anew(services, bench):
    """Over hours of readings, late ones, corrections and silences, a kept chart draws what a fresh one does."""
    looking, random = Looking(services), np.random.default_rng(7)
    at_ms = bench.now_ms
    for _ in range(40):
        step_ms = int(random.choice([20_000, 90_000, 700_000, 4_000_000]))
        services.clock.step_wall(step_ms)
        at_ms += step_ms
        when_ms = at_ms - int(random.choice([0, 0, 0, 300_000, 1_200_000, 50_000_000]))
        sensor = str(random.choice(["hall-air", "loft-air"]))
        air = 18 + round(random.random() * 4, 1), 40 + round(random.random() * 12, 1)
        services.write(bench.air(sensor, when_ms, *air)[: int(random.choice([1, 2, 2, 2]))])
        kept, fresh = looking.look(), Looking(services).look()
        for room in fresh:
            # Labels of the rings stay where they are while nothing comes near.
            assert without_labels(kept[room]) == without_labels(fresh[room])
    assert looking.charts.drawn < 40 * 3


def without_labels(chart: str) -> str:
    """Give a chart without the figures on its rings."""
    return re.sub(r'<text class="wc-ring-label".*?</text>', "", chart)


async def test_a_store_that_cannot_tell_is_asked_again_after_half_a_minute(services, bench):
    """Of a central engine a day is kept for half a minute; the newest figures come with every look."""
    looking = Looking(services, Silent)
    before = looking.look()
    services.write(bench.air("hall-air", bench.now_ms - 7_200_000, 30.0, 70.0))
    assert looking.look() == before
    await services.clock.advance(days_kept.KEPT_FOR_S)
    assert path_of(looking.look()["hall"]) != path_of(before["hall"])
    assert len(looking.read.asked) == 2


def test_of_very_many_rooms_only_those_are_drawn_that_want_looking_at(services, bench):
    """Of hundreds of rooms those that are not in range have a card and a chart, and the others stand in a list."""
    many = overview_gather.MOST_DRAWN + 30
    rooms = tuple(Room(f"r{number}", f"Room {number}", AcclimationWindow(Bounds(10, 30))) for number in range(many))
    sensors = tuple(Sensor(f"s{number}", f"r{number}") for number in range(many))
    services.held_site = replace(services.held_site, rooms=rooms, sensors=sensors)
    heard = [reading for number in range(3, many) for reading in bench.air(f"s{number}", bench.now_ms, 20.0, 40.0)]
    services.write(heard)
    looking = Looking(services)
    page = looking.page()
    assert [card.id for card in page.rooms if card.chart] == ["r0", "r1", "r2"]
    assert [card.id for card in page.rooms] == ["r0", "r1", "r2"]
    assert len(page.listed) == many - 3
    assert page.listed[5].facts
    assert page.not_drawn == ""
    assert looking.charts.drawn == 3


def test_the_charts_kept_are_few(services):
    """No more charts are held than may be: what was let go of is drawn anew, and the same."""
    looking = Looking(services)
    looking.charts = ChartsKept(most=2)
    assert looking.look() == looking.look()
    assert looking.charts.drawn == 6
