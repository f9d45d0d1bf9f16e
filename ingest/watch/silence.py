"""Sensors that are not heard: judged by the time of arrival on our clock, not by the instants of the readings. No I/O.

The store keeps arrivals by the wall clock, and a wall clock can step: a machine without a battery wakes in the past and
jumps when it meets a time server; a laptop sleeps; the daemon itself is stopped for a week. None of that is a sensor's
silence. So silence counts only while we have been *listening* without a break: `listen` is called every minute or so,
and where the clock has moved by more than `LISTENING_BREAK_MS` since the last look, or has gone backwards, listening
starts anew and every sensor gets its whole silent time again. A step smaller than that can make a sensor count as
silent early or late by as much as the step, and no more. What this costs: a sensor that died while the daemon was not
running is told one silent time after the daemon is back.

A sensor that was never heard counts from when listening began.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final, NamedTuple

from ingest.site.incidents import Ending, Incident, IncidentKind
from ingest.site.places import Room, Sensor, Site
from ingest.watch.reasons import Telling, incident_reason, sensor_name
from ingest.watch.window.excursions import incident_id
from ingest.watch.window.memory import RoomMemory, SilentSensor

LISTENING_BREAK_MS: Final = 600_000
"""A longer time than this between two looks means that we were not listening in between (10 minutes)."""


class Listening(NamedTuple):
    """Since when we have been listening to a room unbroken, by the wall clock, and when we looked last. UTC ms."""

    since_ms: int
    looked_ms: int


def listen(
    memory: RoomMemory, listening: Listening, site: Site, room: Room, heard: Mapping[str, int], now_ms: int
) -> tuple[RoomMemory, dict[str, Incident]]:
    """Look which of a room's sensors are silent now; give the new memory and the incidents that opened or closed.

    listening: with this look (`listened`).
    """
    sensors = {sensor.id: sensor for sensor in site.sensors_of(room.id)}
    told: dict[str, Incident] = {}
    silent: dict[str, SilentSensor] = {}
    for name, was in memory.silent.items():
        ended = _ended(was, sensors.get(name), heard.get(name), site, now_ms)
        if ended is None:
            silent[name] = was
        else:
            told[ended.id] = ended
    for name, sensor in sensors.items():
        since_ms = _unheard_since(heard.get(name), listening)
        if name not in silent and now_ms - since_ms >= sensor.offline_after_s * 1000:
            opened = _opened(sensor, heard.get(name), since_ms, site)
            silent[name] = SilentSensor(heard.get(name), opened)
            told[opened.id] = opened
    return (memory if silent == memory.silent else replace(memory, silent=silent)), told


def listened(was: Listening | None, now_ms: int) -> Listening:
    """Give how long we have been listening with a look now.  was: with the look before."""
    if was is None or not 0 <= now_ms - was.looked_ms <= LISTENING_BREAK_MS:
        return Listening(since_ms=now_ms, looked_ms=now_ms)
    return Listening(since_ms=was.since_ms, looked_ms=now_ms)


def _unheard_since(heard_ms: int | None, listening: Listening) -> int:
    # What was "heard" later than now was stamped by a clock that has been set back since: it says nothing.
    if heard_ms is None or heard_ms > listening.looked_ms:
        return listening.since_ms
    return max(heard_ms, listening.since_ms)


def _opened(sensor: Sensor, heard_ms: int | None, since_ms: int, site: Site) -> Incident:
    opened_ms = since_ms + round(sensor.offline_after_s * 1000)
    began_ms = since_ms if heard_ms is None else min(heard_ms, since_ms)
    identity = incident_id(sensor.room, IncidentKind.OFFLINE, opened_ms, sensor.id)
    incident = Incident(identity, sensor.room, sensor.id, IncidentKind.OFFLINE, began_ms, opened_ms, reason="")
    return _with_reason(incident, sensor, site, "It was never heard before." if heard_ms is None else "")


def _ended(was: SilentSensor, sensor: Sensor | None, heard_ms: int | None, site: Site, now_ms: int) -> Incident | None:
    """Give the incident closed, if the sensor was heard again or taken away; None while it goes on."""
    if sensor is None:
        closed_ms = max(now_ms, was.incident.opened_ms)
        return _with_reason(replace(was.incident, closed_ms=closed_ms, ending=Ending.NO_SENSOR), None, site)
    if heard_ms is None or heard_ms == was.heard_ms:
        return None
    return _with_reason(replace(was.incident, closed_ms=max(heard_ms, was.incident.opened_ms)), sensor, site)


def _with_reason(incident: Incident, sensor: Sensor | None, site: Site, addition: str = "") -> Incident:
    reason = incident_reason(incident, sensor_name(sensor, incident.sensor), Telling(site.time_zone))
    return replace(incident, reason=f"{reason} {addition}".strip())
