"""What a site says of itself to the engine: every minute that it is there; its rooms, sensors, windows and states when
they change and every quarter of an hour. Pure.

A central engine stores numbers, and some make a zero of any text; so texts travel as tags of a point whose fields are
numbers. Whoever reads takes the newest point per site, room and sensor. These points are not kept and not sent again:
that none came is what a silent site looks like.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, NamedTuple

from ingest.central.points import (
    ROOM_MEASUREMENT,
    SENSOR_MEASUREMENT,
    SITE_MEASUREMENT,
    WINDOW_MEASUREMENT,
    line,
)
from ingest.site.incidents import RoomState
from ingest.site.places import Room, Site
from ingest.watch.window.plan import as_of

STATE_CODES: Final[Mapping[RoomState, int]] = {
    RoomState.UNKNOWN: 0,
    RoomState.IN_RANGE: 1,
    RoomState.LEAVING_RANGE: 2,
    RoomState.RECOVERING: 3,
    RoomState.OUT_OF_RANGE: 4,
}
"""How a room's state is said as a number; the higher, the worse."""

FIELDS: Final[Mapping[str, tuple[str, ...]]] = {
    SITE_MEASUREMENT: ("alive", "behind", "lag_s", "set_aside", "past_left_s", "elevation_m", "open_incidents"),
    ROOM_MEASUREMENT: ("state", "since_s", "silent", "dwell_s", "return_dwell_s"),
    SENSOR_MEASUREMENT: ("offline_after_s", "silent"),
    WINDOW_MEASUREMENT: ("low", "high", "margin"),
}
"""The fields of each measurement."""


class Stood(NamedTuple):
    """How a room stands.  since_ms: UTC, None where it has no state yet.  silent: ids of sensors not heard."""

    state: RoomState
    since_ms: int | None
    silent: tuple[str, ...] = ()


class Lag(NamedTuple):
    """How far the engine is behind.

    behind: changes not yet delivered.  lag_s: how old the oldest of them is (s).  set_aside: readings that the engine
    refuses.  past_left_s: how much time of the past, from before the engine was wired, is still to go out (s).
    """

    behind: int
    lag_s: float
    set_aside: int
    past_left_s: float = 0.0


def announcement(
    site_id: str,
    site: Site,
    stood: Mapping[str, Stood],
    lag: Lag,
    *,
    open_incidents: int,
    at_ms: int,
    store: str = "",
) -> list[str]:
    """Give the lines with which a site says that it is there (the first), what it is and how it stands (the others).

    at_ms: now, by its own clock (UTC).  store: which store speaks, so that two sites under one id can be told apart.
    """
    tags = {"site": site_id, "title": site.name, "time_zone": site.time_zone, "store": store}
    fields = {"alive": 1.0, **lag._asdict(), "elevation_m": site.elevation_m, "open_incidents": float(open_incidents)}
    made = [line(SITE_MEASUREMENT, tags, fields, at_ms)]
    # With the window that holds now: the office judges by it, and knows nothing of phases.
    for room in as_of(site, at_ms).rooms:
        made += _room(site_id, room, stood.get(room.id, Stood(RoomState.UNKNOWN, None)), at_ms)
    silent = {sensor for one in stood.values() for sensor in one.silent}
    for sensor in site.sensors:
        sensor_tags = {"site": site_id, "room": sensor.room, "sensor": sensor.id, "place": sensor.place.value}
        told = {"offline_after_s": sensor.offline_after_s, "silent": float(sensor.id in silent)}
        made.append(line(SENSOR_MEASUREMENT, sensor_tags | {"title": sensor.title}, told, at_ms))
    return made


def _room(site_id: str, room: Room, stood: Stood, at_ms: int) -> list[str]:
    tags = {"site": site_id, "room": room.id}
    fields = {"state": float(STATE_CODES[stood.state]), "silent": float(len(stood.silent))}
    if stood.since_ms is not None:
        fields["since_s"] = stood.since_ms / 1000
    if room.window is None:
        return [line(ROOM_MEASUREMENT, tags | {"title": room.title, "holds": room.holds}, fields, at_ms)]
    fields |= {"dwell_s": room.window.dwell_s, "return_dwell_s": room.window.return_dwell_s}
    made = [line(ROOM_MEASUREMENT, tags | {"title": room.title, "holds": room.holds}, fields, at_ms)]
    for quantity, bounds in room.window.bounds().items():
        ends = {"low": bounds.low, "high": bounds.high, "margin": room.window.margins()[quantity]}
        told = {name: end for name, end in ends.items() if end is not None}
        made.append(line(WINDOW_MEASUREMENT, tags | {"quantity": quantity}, told, at_ms))
    return made
