"""What a site says of itself to the engine, when it says so, and hearing what sites have said.

Every minute that it is there; its rooms, sensors, windows and states when they change and every quarter of an hour.
A central engine stores numbers, and some make a zero of any text; so texts travel as tags of a point whose fields are
numbers. Whoever reads takes the newest point per site, room and sensor. These points are not kept and not sent again:
that none came is what a silent site looks like.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final, NamedTuple

from ingest.central.engine import Engine, Wanted
from ingest.central.points import (
    ROOM_MEASUREMENT,
    SENSOR_MEASUREMENT,
    SITE_MEASUREMENT,
    WINDOW_MEASUREMENT,
    line,
)
from ingest.central.progress import ForwarderSettings, Lag
from ingest.site.incidents import RoomState
from ingest.site.places import AcclimationWindow, Bounds, Place, Room, Sensor, Site
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


class Speaking:
    """Decides what is to be said now.  announcement: gives all lines, the first says that the site is there."""

    def __init__(self, announcement: Callable[[], list[str]], settings: ForwarderSettings) -> None:
        self._announcement = announcement
        self._settings = settings
        self._glanced_s: float | None = None
        self._spoke_s: float | None = None
        self._job: list[str] = []
        self._job_said_s: float | None = None

    def due(self, now_s: float) -> list[str]:
        """Give the lines that are to go out now, or none.  now_s: monotonic."""
        settings = self._settings
        if not _is_due(self._glanced_s, settings.glance_s, now_s):
            return []
        self._glanced_s = now_s
        whole = self._announcement()
        # Said every minute, the job would take more room at the engine than the readings do.
        if _job_of(whole) != self._job or _is_due(self._job_said_s, settings.job_s, now_s):
            return whole
        return whole[:1] if _is_due(self._spoke_s, settings.announce_s, now_s) else []

    def said(self, told: list[str], now_s: float) -> None:
        """Note that these lines have gone out."""
        self._spoke_s = now_s
        if len(told) > 1:
            self._job, self._job_said_s = _job_of(told), now_s


def _job_of(told: list[str]) -> list[str]:
    """Give what is said beside that the site is there, without its instants."""
    return [one.rpartition(" ")[0] for one in told[1:]]


def _is_due(last_s: float | None, every_s: float, now_s: float) -> bool:
    return last_s is None or now_s - last_s >= every_s


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
        rooms=tuple(_told_room(room, one, windows) for room, one in sorted(rooms.items())),
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


def _told_room(room: str, one: _Said, windows: dict[tuple[str, ...], _Said]) -> Room:
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
