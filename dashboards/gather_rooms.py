"""The overview and what one room's card says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from markupsafe import Markup

from dashboards.contexts import Fact, OverviewPage, RoomCard
from dashboards.services import RoomStanding
from dashboards.view import LABELS, View
from ingest.present import words
from ingest.present.window_chart import window_chart_svg
from ingest.present.window_picture import Trace, WindowPicture
from ingest.present.window_sheet import CARD, Sheet
from ingest.site.incidents import RoomState
from ingest.site.places import Place, Room, Sensor
from ingest.site.series import Sample, SeriesKey

DAY_MS: Final = 86_400_000
STEP_MS: Final = 600_000
"""The path of the last day is drawn through the means of ten minutes: finer than the pencil is wide."""


def overview(view: View) -> OverviewPage:
    """Gather the rooms at a glance, in the site's own order: a card stays where one has learned to look for it."""
    standings = {room.id: view.services.standing(room.id) for room in view.site.rooms}
    cards = tuple(card(view, room, standings[room.id]) for room in view.site.rooms)
    return OverviewPage(view.shell("Rooms", "/"), cards, _summary(view.site.rooms, standings))


_NOT_WITHIN: Final = (RoomState.OUT, RoomState.DRIFTING, RoomState.RETURNING, RoomState.UNKNOWN)
MOST_NAMED: Final = 4


def _summary(rooms: Sequence[Room], standings: Mapping[str, RoomStanding]) -> str:
    if not rooms:
        return "This site has no rooms yet. Name them in the wiring file, or run lumberroom init."
    said = [_of_state(state, [room for room in rooms if standings[room.id].state is state]) for state in _NOT_WITHIN]
    within = sum(stood.state is RoomState.WITHIN for stood in standings.values())
    if within == len(rooms):
        said.append("Every room is within its window.")
    elif within:
        said.append(f"{within} {'room is within its window' if within == 1 else 'rooms are within their windows'}.")
    silent = sum(len(stood.silent) for stood in standings.values())
    if silent:
        said.append(f"{silent} {'sensor is' if silent == 1 else 'sensors are'} silent.")
    return " ".join(filter(None, said))


def _of_state(state: RoomState, rooms: Sequence[Room]) -> str:
    if not rooms:
        return ""
    names = words.listed([room.title for room in rooms]) if len(rooms) <= MOST_NAMED else f"{len(rooms)} rooms"
    said = words.STATE_WORDS[state]
    return words.sentence(f"{names}: {said if len(rooms) == 1 else said.replace('its window', 'their windows')}")


def card(view: View, room: Room, stood: RoomStanding) -> RoomCard:
    """Gather one room's card."""
    sensor = leading_sensor(view, room, stood)
    latest = _latest(view, sensor)
    heard_ms = max((sample.at_ms for sample in latest.values()), default=None)
    facts = [view.fact(name, sample.value) for name, sample in latest.items()]
    return RoomCard(
        id=room.id,
        address=view.room_link(room.id),
        title=room.title,
        holds=room.holds,
        standing=view.standing(stood),
        facts=(*facts, *_in_wood(view, room, stood)),
        heard=view.ago(heard_ms),
        stale=sensor is None or is_old(view, sensor, heard_ms, stood),
        silent=view.titles(stood.silent),
        chart=chart(view, room, stood, CARD),
    )


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


def _latest(view: View, sensor: Sensor | None) -> dict[str, Sample]:
    if sensor is None:
        return {}
    found = view.services.read.latest([SeriesKey(sensor.id, name) for name in LABELS])
    return {name: found[key] for name in LABELS if (key := SeriesKey(sensor.id, name)) in found}


def _in_wood(view: View, room: Room, stood: RoomStanding) -> list[Fact]:
    """Give the newest moisture content of the first probe in the wood that is heard, where there is one."""
    probes = [sensor for sensor in view.site.sensors_of(room.id, Place.WOOD) if sensor.id not in stood.silent]
    keys = [SeriesKey(sensor.id, "wood_mc_percent") for sensor in probes]
    latest = view.services.read.latest(keys)
    return [view.fact(key.quantity, latest[key].value) for key in keys if key in latest][:1]


def chart(view: View, room: Room, stood: RoomStanding, sheet: Sheet, *, ident: str = "") -> Markup:
    """Draw a room's window chart."""
    leading = leading_sensor(view, room, stood)
    sensors = sorted(view.site.sensors_of(room.id, Place.AIR), key=lambda sensor: sensor != leading)
    picture = WindowPicture(
        ident=f"chart-{ident}{room.id}",
        title=f"{room.title}: the air against its window",
        window=room.window,
        traces=tuple(_trace(view, sensor, stood) for sensor in sensors),
        now_ms=view.now_ms,
        units=view.units,
    )
    # The chart escapes all foreign text itself; a test holds it to that.
    return Markup(window_chart_svg(picture, sheet))  # noqa: S704


def _trace(view: View, sensor: Sensor, stood: RoomStanding) -> Trace:
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
    newest_ms = max((sample.at_ms for sample in newest.values()), default=None)
    fresh = not is_old(view, sensor, newest_ms, stood)
    return Trace(view.sensor_title(sensor), at_ms, temperature_c, rh_percent, fresh)
