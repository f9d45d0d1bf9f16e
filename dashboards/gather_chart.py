"""A room's air as the window chart shows it: which sensor leads, what it told in 24 hours, the drawing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np
from markupsafe import Markup

from dashboards.services import RoomStanding
from dashboards.view import View
from ingest.present.window_chart import window_chart_svg
from ingest.present.window_picture import Trace, WindowPicture
from ingest.present.window_sheet import Sheet
from ingest.site.places import Place, Room, Sensor
from ingest.site.series import Buckets, Int64s, Sample, SeriesKey

DAY_MS: Final = 86_400_000
STEP_MS: Final = 600_000
"""The path of a day is drawn through the means of ten minutes: finer than the pencil is wide."""


def is_old(view: View, sensor: Sensor, newest_ms: int | None, stood: RoomStanding) -> bool:
    """Say whether a sensor's newest figures are no longer those of now.

    A sensor that hands in what it kept while out of reach is heard, and its figures are old all the same.
    """
    if newest_ms is None or sensor.id in stood.silent:
        return True
    return view.now_ms - newest_ms > sensor.silent_after_s * 1000


def leading_sensor(view: View, room: Room, stood: RoomStanding) -> Sensor | None:
    """Give the sensor whose figures stand for the room: the first in its air that is heard, else the first."""
    sensors = view.site.sensors_of(room.id, Place.AIR)
    return next((sensor for sensor in sensors if sensor.id not in stood.silent), sensors[0] if sensors else None)


class LastDay(NamedTuple):
    """The last 24 hours of some sensors' air, asked for together.  edges_ms: of the buckets, int64."""

    edges_ms: Int64s
    buckets: Mapping[SeriesKey, Buckets]
    newest: Mapping[SeriesKey, Sample]


def last_day(view: View, sensors: Iterable[Sensor]) -> LastDay:
    """Ask for the last 24 hours of sensors: all in one question, which matters where the store is a server."""
    last_ms = view.now_ms // STEP_MS * STEP_MS
    edges = np.arange(last_ms - DAY_MS, view.now_ms + STEP_MS, STEP_MS, dtype=np.int64)
    keys = [SeriesKey(sensor.id, quantity) for sensor in sensors for quantity in ("temperature_c", "rh_percent")]
    read = view.services.read
    return LastDay(edges, read.buckets_of(keys, edges), read.latest(keys))


def picture(
    view: View, room: Room, stood: RoomStanding, until_ms: int | None = None, *, day: LastDay | None = None
) -> WindowPicture:
    """Gather what a room's window chart shows: the 24 hours up to now, or up to an instant of the past (UTC, ms).

    day: what was asked for already, of this room's sensors among others.
    """
    leading = leading_sensor(view, room, stood)
    sensors = sorted(view.site.sensors_of(room.id, Place.AIR), key=lambda sensor: sensor != leading)
    if until_ms is None:
        known = day or last_day(view, sensors)
        traces = [_trace(view, one, stood, known) for one in sensors]
    else:
        traces = [_past_trace(view, one, until_ms) for one in sensors]
    return WindowPicture(
        ident=f"chart-{room.id}",
        title=f"{room.title}: the air against its window",
        window=room.window,
        traces=tuple(traces),
        now_ms=view.now_ms if until_ms is None else until_ms,
        units=view.units,
        then="" if until_ms is None else view.end(until_ms),
    )


def drawn(pictured: WindowPicture, sheet: Sheet, *, ident: str = "") -> Markup:
    """Draw it.  ident: goes before the picture's own, where a page shows the same room twice."""
    # The chart escapes all foreign text itself; a test holds it to that.
    return Markup(window_chart_svg(replace(pictured, ident=f"{ident}{pictured.ident}"), sheet))  # noqa: S704


def _trace(view: View, sensor: Sensor, stood: RoomStanding, day: LastDay) -> Trace:
    edges = day.edges_ms
    keys = [SeriesKey(sensor.id, "temperature_c"), SeriesKey(sensor.id, "rh_percent")]
    temperature_c, rh_percent = (day.buckets[key].mean for key in keys)
    at_ms = (edges[:-1] + edges[1:]) // 2
    heard = np.flatnonzero(np.isfinite(temperature_c) & np.isfinite(rh_percent))
    newest = {key: day.newest[key] for key in keys if key in day.newest}
    if len(heard) and len(newest) == 2:
        # The path ends in the very figures that stand beside it, and not in their ten minutes' mean.
        until = int(heard[-1]) + 1
        at_ms, temperature_c, rh_percent = at_ms[:until].copy(), temperature_c[:until].copy(), rh_percent[:until].copy()
        at_ms[-1] = max(newest[keys[0]].at_ms, newest[keys[1]].at_ms)
        temperature_c[-1], rh_percent[-1] = newest[keys[0]].value, newest[keys[1]].value
    newest_ms = max((sample.at_ms for sample in newest.values()), default=None)
    fresh = not is_old(view, sensor, newest_ms, stood)
    return Trace(view.sensor_title(sensor), at_ms, temperature_c, rh_percent, fresh)


def _past_trace(view: View, sensor: Sensor, until_ms: int) -> Trace:
    edges = np.arange(until_ms - DAY_MS, until_ms + 1, STEP_MS, dtype=np.int64)
    keys = (SeriesKey(sensor.id, "temperature_c"), SeriesKey(sensor.id, "rh_percent"))
    temperature_c, rh_percent = (view.services.read.buckets(key, edges).mean for key in keys)
    heard = np.flatnonzero(np.isfinite(temperature_c) & np.isfinite(rh_percent))
    fresh = bool(len(heard)) and until_ms - int(edges[heard[-1] + 1]) <= sensor.silent_after_s * 1000
    return Trace(view.sensor_title(sensor), (edges[:-1] + edges[1:]) // 2, temperature_c, rh_percent, fresh)
