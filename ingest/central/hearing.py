"""What sites have said of themselves to the engine (`announcements`), read back: the jobs, and how the rooms stand."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

from ingest.central.announcements import FIELDS, STATE_CODES, Stood
from ingest.central.engine import Engine, Wanted
from ingest.central.points import ROOM_MEASUREMENT, SENSOR_MEASUREMENT, SITE_MEASUREMENT, WINDOW_MEASUREMENT
from ingest.site.incidents import RoomState
from ingest.site.places import AcclimationWindow, Bounds, Place, Room, Sensor, Site

TOGETHER_MS: Final = 2_400_000
"""A site names its rooms and sensors when they change and every quarter of an hour. What it has not named for this long
is there no more (40 minutes)."""

_STATES: Final = {code: state for state, code in STATE_CODES.items()}


@dataclass(frozen=True, slots=True)
class SiteTold:
    """What one site said last.

    site: its job, by its own ids.  alive_ms: when it said so, by its own clock (UTC).  stood: its rooms.
    figures: the fields of its own point (`behind`, `lag_s`, `set_aside`, `open_incidents` ...).  stores: which stores
    spoke under this id, each with when it did last; more than one at a time is a mistake in somebody's settings file.
    """

    site: Site
    alive_ms: int
    stood: Mapping[str, Stood] = field(default_factory=dict)
    figures: Mapping[str, float] = field(default_factory=dict)
    stores: Mapping[str, int] = field(default_factory=dict)


@dataclass(slots=True)
class _Said:
    """The newest fields under one identity, and the tags beside them."""

    at_ms: int
    tags: Mapping[str, str]
    fields: dict[str, float]


def hear(engine: Engine, from_ms: int, to_ms: int) -> dict[str, SiteTold]:
    """Give every site that said something with from_ms <= instant < to_ms. Raises EngineError. Blocks."""
    stores = _newest(engine, SITE_MEASUREMENT, ("site", "store"), from_ms, to_ms)
    sites: dict[tuple[str], _Said] = {}
    for (site_id, _), said in stores.items():
        sites[site_id,] = max(sites.get((site_id,), said), said, key=lambda one: one.at_ms)
    rooms = _newest(engine, ROOM_MEASUREMENT, ("site", "room"), from_ms, to_ms)
    sensors = _newest(engine, SENSOR_MEASUREMENT, ("site", "sensor"), from_ms, to_ms)
    windows = _newest(engine, WINDOW_MEASUREMENT, ("site", "room", "quantity"), from_ms, to_ms)
    told = {}
    for (site_id,), said in sites.items():
        own_rooms = {key[1]: one for key, one in rooms.items() if _belongs(key, one, site_id, said)}
        own_sensors = {key[1]: one for key, one in sensors.items() if _belongs(key, one, site_id, said)}
        own_windows = {key[1:]: one for key, one in windows.items() if _belongs(key, one, site_id, said)}
        spoke = {store: one.at_ms for (its_site, store), one in stores.items() if its_site == site_id}
        told[site_id] = replace(_told(said, own_rooms, own_sensors, own_windows), stores=spoke)
    return told


def _belongs(key: tuple[str, ...], one: _Said, site_id: str, site: _Said) -> bool:
    return key[0] == site_id and site.at_ms - one.at_ms < TOGETHER_MS


def _newest(
    engine: Engine, measurement: str, names: tuple[str, ...], from_ms: int, to_ms: int
) -> dict[tuple[str, ...], _Said]:
    """Give what was said last under each identity; a changed title is another series of the same identity."""
    found: dict[tuple[str, ...], _Said] = {}
    for one in engine.newest(Wanted(measurement, FIELDS[measurement], {}), from_ms, to_ms):
        identity = tuple(one.tags.get(name, "") for name in names)
        at_ms, value = int(one.at_ms[-1]), float(one.value[-1])
        said = found.get(identity)
        if said is None or at_ms > said.at_ms:
            found[identity] = _Said(at_ms, one.tags, {one.field: value})
        elif at_ms == said.at_ms:
            said.fields[one.field] = value
    return found


def _told(
    said: _Said, rooms: dict[str, _Said], sensors: dict[str, _Said], windows: dict[tuple[str, ...], _Said]
) -> SiteTold:
    silent = {sensor: one.tags.get("room", "") for sensor, one in sensors.items() if one.fields.get("silent")}
    site = Site(
        name=said.tags.get("title", said.tags.get("site", "")),
        time_zone=said.tags.get("time_zone", "UTC"),
        elevation_m=said.fields.get("elevation_m", 0.0),
        rooms=tuple(_room(room, one, windows) for room, one in sorted(rooms.items())),
        sensors=tuple(_sensor(sensor, one) for sensor, one in sorted(sensors.items())),
    )
    stood = {
        room: _stood(one, (sensor for sensor, its_room in silent.items() if its_room == room))
        for room, one in rooms.items()
    }
    return SiteTold(site, said.at_ms, stood, said.fields)


def _stood(one: _Said, silent: Iterable[str]) -> Stood:
    since_s = one.fields.get("since_s")
    state = _STATES.get(int(one.fields.get("state", 0)), RoomState.UNKNOWN)
    return Stood(state, None if since_s is None else round(since_s * 1000), tuple(sorted(silent)))


def _room(room: str, one: _Said, windows: dict[tuple[str, ...], _Said]) -> Room:
    bounds = {quantity: said for (its_room, quantity), said in windows.items() if its_room == room}
    return Room(room, one.tags.get("title", room), _window(one, bounds), one.tags.get("holds", ""))


def _window(room: _Said, bounds: dict[str, _Said]) -> AcclimationWindow | None:
    made: dict[str, Any] = {}
    for quantity, said in bounds.items():
        low, high = said.fields.get("low"), said.fields.get("high")
        if quantity in AcclimationWindow().margins() and (low is not None or high is not None):
            made[quantity] = Bounds(low, high)
            made[f"margin_{quantity}"] = said.fields.get("margin", 0.0)
    if not made:
        return None
    dwells: dict[str, Any] = {name: room.fields[name] for name in ("dwell_s", "return_dwell_s") if name in room.fields}
    return AcclimationWindow(**made, **dwells)


def _sensor(sensor: str, one: _Said) -> Sensor:
    place = next((place for place in Place if place.value == one.tags.get("place")), Place.AIR)
    title, offline_after_s = one.tags.get("title", ""), one.fields.get("offline_after_s", 1800.0)
    return Sensor(sensor, one.tags.get("room", ""), place, title, offline_after_s)
