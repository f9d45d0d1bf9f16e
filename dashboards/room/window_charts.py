"""A room's air as the window chart shows it: which sensor leads, what it told in 24 hours, the drawing."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from markupsafe import Markup

from dashboards.room.days_kept import DAY_MS, STEP_MS, LastDay
from dashboards.services import RoomStanding
from dashboards.visit import Visit
from ingest.present.window_chart import window_chart_svg
from ingest.present.window_picture import Trace, WindowPicture
from ingest.present.window_sheet import Sheet
from ingest.site.places import Place, Room, Sensor
from ingest.site.series import Sample, SeriesKey


def is_old(visit: Visit, sensor: Sensor, newest_ms: int | None, stood: RoomStanding) -> bool:
    """Say whether a sensor's newest figures are no longer those of now.

    A sensor that hands in what it kept while out of reach is heard, and its figures are old all the same.
    """
    if newest_ms is None or sensor.id in stood.silent:
        return True
    return visit.now_ms - newest_ms > sensor.offline_after_s * 1000


def leading_sensor(visit: Visit, room: Room, stood: RoomStanding) -> Sensor | None:
    """Give the sensor whose figures stand for the room: the first in its air that is heard, else that ever was.

    One that has never said anything has no figures to show, whether or not it is missed already.
    """
    sensors = visit.site.sensors_of(room.id, Place.AIR)
    if len(sensors) < 2:
        return sensors[0] if sensors else None
    told = visit.latest([SeriesKey(sensor.id, name) for sensor in sensors for name in LEADING])
    ever = [sensor for sensor in sensors if any(SeriesKey(sensor.id, name) in told for name in LEADING)] or sensors
    return next((sensor for sensor in ever if sensor.id not in stood.silent), ever[0])


LEADING: Final = ("rh_percent", "temperature_c")
"""What a sensor must have told, one of these, to stand for its room."""


def sensors_in(visit: Visit, room: Room, stood: RoomStanding) -> list[Sensor]:
    """Give the sensors in a room's air, the leading one first."""
    leading = leading_sensor(visit, room, stood)
    return sorted(visit.site.sensors_of(room.id, Place.AIR), key=lambda sensor: sensor != leading)


def picture(visit: Visit, room: Room, stood: RoomStanding, day: LastDay) -> WindowPicture:
    """Gather what a room's window chart shows: the 24 hours up to now.

    day: what the sensors in its air told, among others.
    """
    return _picture(visit, room, [_trace(visit, sensor, stood, day) for sensor in sensors_in(visit, room, stood)])


def past_picture(visit: Visit, room: Room, stood: RoomStanding, until_ms: int) -> WindowPicture:
    """Gather what a room's window chart shows of the 24 hours up to an instant of the past (UTC, ms)."""
    traces = [_past_trace(visit, sensor, until_ms) for sensor in sensors_in(visit, room, stood)]
    pictured = _picture(visit, visit.room_then(room, until_ms - 1), traces)
    return replace(pictured, now_ms=until_ms, then=visit.end(until_ms))


def _picture(visit: Visit, room: Room, traces: list[Trace]) -> WindowPicture:
    return WindowPicture(
        ident=f"chart-{room.id}",
        title=f"{room.title}: the air against its window",
        window=room.window,
        traces=tuple(traces),
        now_ms=visit.now_ms,
        units=visit.units,
    )


def drawn(pictured: WindowPicture, sheet: Sheet, *, ident: str = "") -> Markup:
    """Draw it.  ident: goes before the picture's own, where a page shows the same room twice."""
    # The chart escapes all foreign text itself; a test holds it to that.
    return Markup(window_chart_svg(replace(pictured, ident=f"{ident}{pictured.ident}"), sheet))  # noqa: S704


def _trace(visit: Visit, sensor: Sensor, stood: RoomStanding, day: LastDay) -> Trace:
    told, newest = day.told[sensor.id], day.newest_of(sensor.id)
    at_ms, temperature_c, rh_percent = day.at_ms, told.temperature_c, told.rh_percent
    if newest is not None and min(one.at_ms for one in newest) >= int(at_ms[0]):
        # The path ends in the very figures that stand beside it, and not in their ten minutes' mean.
        newest_ms = max(one.at_ms for one in newest)
        heard = np.flatnonzero(np.isfinite(temperature_c) & np.isfinite(rh_percent))
        beyond = newest_ms >= int(at_ms[-1]) + STEP_MS // 2
        until = len(at_ms) if beyond else int(heard[-1]) if len(heard) else 0
        at_ms = np.append(at_ms[:until], newest_ms)
        temperature_c = np.append(temperature_c[:until], newest[0].value)
        rh_percent = np.append(rh_percent[:until], newest[1].value)
    return Trace(visit.sensor_title(sensor), at_ms, temperature_c, rh_percent, is_fresh(visit, sensor, stood, newest))


def is_fresh(visit: Visit, sensor: Sensor, stood: RoomStanding, newest: tuple[Sample, Sample] | None) -> bool:
    """Say whether a sensor's newest temperature and RH are those of now."""
    newest_ms = None if newest is None else max(one.at_ms for one in newest)
    return not is_old(visit, sensor, newest_ms, stood)


def _past_trace(visit: Visit, sensor: Sensor, until_ms: int) -> Trace:
    edges = np.arange(until_ms - DAY_MS, until_ms + 1, STEP_MS, dtype=np.int64)
    keys = (SeriesKey(sensor.id, "temperature_c"), SeriesKey(sensor.id, "rh_percent"))
    temperature_c, rh_percent = (visit.services.read.buckets(key, edges).mean for key in keys)
    heard = np.flatnonzero(np.isfinite(temperature_c) & np.isfinite(rh_percent))
    fresh = bool(len(heard)) and until_ms - int(edges[heard[-1] + 1]) <= sensor.offline_after_s * 1000
    return Trace(visit.sensor_title(sensor), (edges[:-1] + edges[1:]) // 2, temperature_c, rh_percent, fresh)
