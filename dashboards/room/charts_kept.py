"""Window charts kept between looks: one of which a reader could not see that it has changed is not drawn again."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import replace
from typing import Final, NamedTuple

from markupsafe import Markup

from dashboards.room.days_kept import DaysKept, LastDay
from dashboards.room.window_charts import is_fresh, picture, sensors_in
from dashboards.services import RoomStanding
from dashboards.visit import Visit
from ingest.present import words
from ingest.present.window_chart import redrawn
from ingest.present.window_ground import Ground
from ingest.present.window_layout import Layout
from ingest.present.window_picture import air_words
from ingest.present.window_sheet import Sheet
from ingest.site.places import Room

MOST_CHARTS: Final = 400
"""So many are kept, about 40 kB each; those not asked for longest go first."""


class _Kept(NamedTuple):
    told: tuple[object, ...]
    ground: Ground
    chart: Markup


class ChartsKept:
    """Keeps the days that charts are drawn from, and the charts. Safe to use from any thread.

    drawn: how many charts were drawn since the start, rather than taken as they were.
    """

    def __init__(self, most: int = MOST_CHARTS) -> None:
        self._most = most
        self.days = DaysKept()
        self.drawn = 0
        self._lock = threading.Lock()
        self._kept: OrderedDict[tuple[object, ...], _Kept] = OrderedDict()

    def chart(
        self, visit: Visit, room: Room, stood: RoomStanding, day: LastDay, sheet: Sheet, *, ident: str = ""
    ) -> Markup:
        """Give the chart of a room's last 24 hours.

        day: what the sensors in its air told.  ident: goes before the picture's own, where a page shows a room twice.
        """
        key, told = (room.id, visit.units, sheet, ident), _told(visit, room, stood, day)
        with self._lock:
            kept = self._kept.get(key)
            if kept is not None:
                self._kept.move_to_end(key)
        if kept is not None and kept.told == told:
            return kept.chart
        pictured = picture(visit, room, stood, day)
        layout = Layout(replace(pictured, ident=f"{ident}{pictured.ident}"), sheet)
        fresh = _draw(layout, _paths(visit, room, stood, day), kept)
        with self._lock:
            self.drawn += 1
            self._kept[key] = _Kept(told, *fresh)
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)
        return fresh[1]


def _draw(layout: Layout, paths: tuple[object, ...], kept: _Kept | None) -> tuple[Ground, Markup]:
    text, ground = redrawn(layout, paths, kept.ground if kept else None)
    # The chart escapes all foreign text itself; a test holds it to that.
    return ground, Markup(text)  # noqa: S704


def _paths(visit: Visit, room: Room, stood: RoomStanding, day: LastDay) -> tuple[object, ...]:
    return tuple((sensor.id, day.told[sensor.id].version) for sensor in sensors_in(visit, room, stood))


def _told(visit: Visit, room: Room, stood: RoomStanding, day: LastDay) -> tuple[object, ...]:
    """Name all that a reader could see in a room's chart: the paths, the marks to a hair, the words."""
    marks: list[object] = []
    said = ""
    for sensor in sensors_in(visit, room, stood):
        newest, version = day.newest_of(sensor.id), day.told[sensor.id].version
        fresh = is_fresh(visit, sensor, stood, newest)
        if newest is None:
            marks.append((visit.sensor_title(sensor), version, fresh))
            continue
        temperature_c, rh_percent = (one.value for one in newest)
        marks.append((visit.sensor_title(sensor), version, fresh, round(temperature_c, 2), round(rh_percent, 1)))
        heard = "" if fresh else words.ago(max(one.at_ms for one in newest), visit.now_ms)
        said = said or f"{air_words(temperature_c, rh_percent, visit.units)} {heard}"
    return room.title, room.window, said, *marks
