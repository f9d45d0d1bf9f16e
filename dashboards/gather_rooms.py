"""The overview and what one room's card says."""

from __future__ import annotations

from collections import Counter
from typing import Final

import numpy as np
from markupsafe import Markup

from dashboards.contexts import OverviewPage, RoomCard
from dashboards.services import RoomStanding
from dashboards.view import LABELS, View
from ingest.present import words
from ingest.present.window_chart import CARD, Sheet, window_chart_svg
from ingest.present.window_picture import Trace, WindowPicture
from ingest.site.incidents import RoomState
from ingest.site.places import Place, Room, Sensor
from ingest.site.series import Sample, SeriesKey

DAY_MS: Final = 86_400_000
STEP_MS: Final = 600_000
"""The path of the last day is drawn through the means of ten minutes: finer than the pencil is wide."""


def overview(view: View) -> OverviewPage:
    """Gather the rooms at a glance; those that ask for attention first."""
    standings = {room.id: view.services.standing(room.id) for room in view.site.rooms}
    rooms = sorted(view.site.rooms, key=lambda room: _URGENCY[standings[room.id].state])
    cards = tuple(card(view, room, standings[room.id]) for room in rooms)
    return OverviewPage(view.shell("Rooms", "/"), cards, _summary(list(standings.values())))


_URGENCY: Final = {
    RoomState.OUT: 0,
    RoomState.DRIFTING: 1,
    RoomState.RETURNING: 2,
    RoomState.UNKNOWN: 3,
    RoomState.WITHIN: 4,
}


def _summary(standings: list[RoomStanding]) -> str:
    if not standings:
        return "This site has no rooms yet. Name them in the wiring file, or run lumberroom init."
    counted = Counter(stood.state for stood in standings)
    if counted[RoomState.WITHIN] == len(standings):
        said = "Every room is within its window."
    else:
        parts = [f"{counted[state]} {words.STATE_WORDS[state]}" for state in _URGENCY if counted[state]]
        said = words.sentence(words.listed(parts))
    silent = sum(len(stood.silent) for stood in standings)
    return f"{said} {silent} {'sensor is' if silent == 1 else 'sensors are'} silent." if silent else said


def card(view: View, room: Room, stood: RoomStanding) -> RoomCard:
    """Gather one room's card."""
    sensor = leading_sensor(view, room, stood)
    latest = _latest(view, sensor)
    heard_ms = max((sample.at_ms for sample in latest.values()), default=None)
    return RoomCard(
        id=room.id,
        address=view.room_link(room.id),
        title=room.title,
        holds=room.holds,
        standing=view.standing(stood),
        facts=tuple(view.fact(name, sample.value) for name, sample in latest.items()),
        heard=view.ago(heard_ms),
        stale=sensor is None or sensor.id in stood.silent,
        silent=view.titles(stood.silent),
        chart=chart(view, room, stood, CARD),
    )


def leading_sensor(view: View, room: Room, stood: RoomStanding) -> Sensor | None:
    """Give the sensor whose figures stand for the room: the first in its air that is heard, else the first."""
    sensors = view.site.sensors_of(room.id, Place.AIR)
    return next((sensor for sensor in sensors if sensor.id not in stood.silent), sensors[0] if sensors else None)


def _latest(view: View, sensor: Sensor | None) -> dict[str, Sample]:
    if sensor is None:
        return {}
    found = view.services.read.latest([SeriesKey(sensor.id, name) for name in LABELS])
    return {name: found[key] for name in LABELS if (key := SeriesKey(sensor.id, name)) in found}


def chart(view: View, room: Room, stood: RoomStanding, sheet: Sheet, *, ident: str = "") -> Markup:
    """Draw a room's window chart."""
    leading = leading_sensor(view, room, stood)
    sensors = sorted(view.site.sensors_of(room.id, Place.AIR), key=lambda sensor: sensor != leading)
    picture = WindowPicture(
        ident=f"chart-{ident}{room.id}",
        title=f"{room.title}: the air against its window",
        window=room.window,
        traces=tuple(_trace(view, sensor, fresh=sensor.id not in stood.silent) for sensor in sensors),
        now_ms=view.now_ms,
        units=view.units,
    )
    # The chart escapes all foreign text itself; a test holds it to that.
    return Markup(window_chart_svg(picture, sheet))  # noqa: S704


def _trace(view: View, sensor: Sensor, *, fresh: bool) -> Trace:
    last_ms = view.now_ms // STEP_MS * STEP_MS
    edges = np.arange(last_ms - DAY_MS, view.now_ms + STEP_MS, STEP_MS, dtype=np.int64)
    keys = [SeriesKey(sensor.id, "temperature_c"), SeriesKey(sensor.id, "rh_percent")]
    temperature_c, rh_percent = (view.services.read.buckets(key, edges).mean for key in keys)
    at_ms = (edges[:-1] + edges[1:]) // 2
    heard = np.flatnonzero(np.isfinite(temperature_c) & np.isfinite(rh_percent))
    newest = view.services.read.latest(keys)
    if len(heard) and len(newest) == 2:
        # The path ends in the very figures that stand beside it, and not in their ten minutes' mean.
        until = int(heard[-1]) + 1
        at_ms, temperature_c, rh_percent = at_ms[:until].copy(), temperature_c[:until].copy(), rh_percent[:until].copy()
        at_ms[-1] = max(newest[keys[0]].at_ms, newest[keys[1]].at_ms)
        temperature_c[-1], rh_percent[-1] = newest[keys[0]].value, newest[keys[1]].value
    return Trace(view.sensor_title(sensor), at_ms, temperature_c, rh_percent, fresh)
