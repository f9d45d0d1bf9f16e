"""How a room stands towards its window now: its worst sensor's state, the reason in one sentence, who is silent."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from ingest.present import words
from ingest.present.digits import Units
from ingest.site.incidents import RoomState
from ingest.site.places import AcclimationWindow, Place, Room, Sensor, Site
from ingest.site.series import SeriesKey
from ingest.store.api import StoreReader, newest_until
from ingest.watch.reasons import Telling, sensor_name, state_reason
from ingest.watch.window.judge import SensorState
from ingest.watch.window.memory import RoomMemory, from_json
from ingest.watch.window.plan import room_window

RANK: Final[Mapping[RoomState, int]] = {
    RoomState.UNKNOWN: 0,
    RoomState.IN_RANGE: 1,
    RoomState.LEAVING_RANGE: 2,
    RoomState.RECOVERING: 3,
    RoomState.OUT_OF_RANGE: 4,
}
"""Which state is worse: a room stands as the worst of its sensors."""


@dataclass(frozen=True, slots=True)
class RoomStanding:
    """How a room stands towards its window.

    since_ms: since when it has been in this state (event time).  silent: ids of its sensors that are not heard.
    late: readings that came late, and were judged in their place.  ahead: readings stamped ahead of our clock, which
    were not judged.
    """

    room: str
    state: RoomState
    reason: str
    since_ms: int | None
    silent: tuple[str, ...] = ()
    late: int = 0
    ahead: int = 0


def standing(reader: StoreReader, site: Site, room: str, *, now_ms: int, units: Units = Units.SI) -> RoomStanding:
    """Say how the room of that id stands.

    A silent sensor covers nothing, except that an incident which it left open stays open.
    An unknown room stands as unknown.
    """
    found = site.room(room)
    if found is None:
        return RoomStanding(room, RoomState.UNKNOWN, "There is no such room on this site.", None)
    memory = from_json(reader.judgement(room))
    found = replace(found, window=room_window(found, site.time_zone, now_ms), phases=())
    state, reason, since_ms = _judged(reader, memory, site, found, Telling(site.time_zone, units, now_ms))
    silent = tuple(sensor.id for sensor in site.sensors_of(room) if sensor.id in memory.silent)
    reason = " ".join([reason, *_remarks(memory, site, found, silent)])
    return RoomStanding(room, state, reason, since_ms, silent, memory.late, memory.ahead)


def _judged(
    reader: StoreReader, memory: RoomMemory, site: Site, room: Room, telling: Telling
) -> tuple[RoomState, str, int | None]:
    if room.window is None:
        return RoomState.UNKNOWN, "No window is set for this room.", None
    air = site.sensors_of(room.id, Place.AIR)
    if not air:
        return RoomState.UNKNOWN, "No air sensor belongs to this room.", None
    vouching = [(sensor, memory.sensors.get(sensor.id, SensorState())) for sensor in air if _vouches(sensor, memory)]
    if not vouching:
        return RoomState.UNKNOWN, _nothing_heard(reader, air, telling), None
    sensor, state = max(vouching, key=lambda pair: RANK[pair[1].state])
    if state.state is RoomState.IN_RANGE:
        state = _up_to_date(reader, state, room.window, sensor, telling.now_ms)
    return state.state, state_reason(state, room.window, sensor_name(sensor, sensor.id), telling), state.since_ms


def _up_to_date(
    reader: StoreReader, state: SensorState, window: AcclimationWindow, sensor: Sensor, now_ms: int | None
) -> SensorState:
    """Give a state that is within with the newest values: while nothing turns, it is saved only now and then."""
    keys = [SeriesKey(sensor.id, name) for name in window.bounds()]
    newest = reader.latest(keys) if now_ms is None else newest_until(reader, keys, now_ms)
    held = {**state.held, **{key.quantity: (sample.value, sample.at_ms) for key, sample in newest.items()}}
    last_ms = max((at_ms for _, at_ms in held.values()), default=state.last_ms)
    return replace(state, held=held, last_ms=last_ms)


def _vouches(sensor: Sensor, memory: RoomMemory) -> bool:
    return sensor.id not in memory.silent or memory.sensors.get(sensor.id, SensorState()).active


def _nothing_heard(reader: StoreReader, air: tuple[Sensor, ...], telling: Telling) -> str:
    keys = [SeriesKey(sensor.id, name) for sensor in air for name in ("temperature_c", "rh_percent")]
    heard = [sample.at_ms for sample in reader.latest(keys).values()]
    who = "its air sensor" if len(air) == 1 else "any of its air sensors"
    if not heard:
        return f"Nothing has been heard from {who}."
    return f"Nothing has been heard from {who}; the last reading is of {telling.at(max(heard))}."


def _remarks(memory: RoomMemory, site: Site, room: Room, silent: tuple[str, ...]) -> list[str]:
    remarks = []
    air = {sensor.id: sensor for sensor in site.sensors_of(room.id, Place.AIR)}
    names = [sensor_name(air[name], name) for name in silent if name in air]
    if names and len(names) < len(air):
        remarks.append(f"Not heard: {words.listed(names)}.")
    if memory.ahead:
        remarks.append(f"{_readings(memory.ahead)} stamped ahead of our clock: stored, not judged.")
    return remarks


def _readings(count: int) -> str:
    return "1 reading was" if count == 1 else f"{count} readings were"
