"""The past of the invented rooms: measured in simulated time, stored in one go, and judged as it would have been.

The watch judges in event time, so that weeks of readings handed to it at once give the incidents that living through
them would have given. No mail is sent about the past.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Final, NamedTuple

import numpy as np

from adapters.room_chance import Floats, Int64s
from adapters.simulated_room import SimulatedSensors
from ingest.demo import places, troubles
from ingest.demo.folder import Memory
from ingest.demo.places import DemoRoom
from ingest.site.actor import SETTINGS
from ingest.site.incidents import Incident
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.api import Store
from ingest.watch.rounds import judge_readings

MS_PER_HOUR: Final = 3_600_000
LONGEST_MS: Final = troubles.HISTORY_DAYS * 24 * MS_PER_HOUR


class Past(NamedTuple):
    """What was written: how many readings, and the incidents that the watch found in them."""

    readings: int
    incidents: tuple[Incident, ...]


def new_story(now_ms: int) -> Memory:
    """Give the memory of a story whose live part begins at `now_ms` (UTC), with `HISTORY_DAYS` days before it."""
    return Memory(start_ms=now_ms - LONGEST_MS)


def simulated(memory: Memory, room: DemoRoom) -> SimulatedSensors:
    """Give a room's sensors, where the memory left them."""
    settings = places.settings(room, iso(memory.start_ms), events(memory, room), memory.rooms.get(room.room.id, {}))
    return SimulatedSensors(settings, memory.start_ms)


def events(memory: Memory, room: DemoRoom) -> list[dict[str, object]]:
    """Give a room's events, past and live, as the memory has it."""
    live_h = [(start - memory.start_ms) / MS_PER_HOUR for start in memory.live_starts_ms]
    return troubles.events(room.room.id, live_h)


def write_past(store: Store, memory: Memory, to_ms: int, longest_ms: int = LONGEST_MS) -> Past:
    """Write what the sensors measured from where the store ends, up to and with `to_ms`, and have it judged.

    At most the last `longest_ms` are written; what lies before them stays a gap. Afterwards the memory holds the state
    of each room at `to_ms`.  Raises StorageError.
    """
    measured = dict(_measured(store, memory, to_ms, longest_ms))
    incidents: list[Incident] = []
    with store.transaction() as work:
        if work.read.site() is None:
            work.save_site(places.SITE, at_ms=memory.start_ms, by=SETTINGS)
        for batch in measured.values():
            work.append(batch, heard_ms=to_ms)
            incidents += judge_readings(work, places.SITE, batch, now_ms=to_ms)
    return Past(sum(len(batch) for batch in measured.values()), tuple(incidents))


def _measured(store: Store, memory: Memory, to_ms: int, longest_ms: int) -> Iterator[tuple[str, ReadingBatch]]:
    newest = {extent.key.sensor: extent.last_ms for extent in store.read.extents()}
    for room in places.ROOMS:
        sensors = simulated(memory, room)
        from_ms = max(newest.get(room.air_sensor, 0) + 1, to_ms - longest_ms, sensors.next_ms)
        for _ in sensors.skip_to(sensors.newest_ms(from_ms + sensors.interval_ms - 1)):
            pass
        at_ms = sensors.due(to_ms)
        if len(at_ms):
            yield room.room.id, _batch(sensors.measure(at_ms), at_ms)
        memory.rooms[room.room.id] = sensors.resume()


def _batch(columns: dict[tuple[str, str], Floats], at_ms: Int64s) -> ReadingBatch:
    count, length = len(columns), len(at_ms)
    return ReadingBatch(
        keys=tuple(SeriesKey(sensor, quantity) for sensor, quantity in columns),
        key_index=np.repeat(np.arange(count, dtype=np.int32), length),
        at_ms=np.tile(at_ms, count),
        value=np.concatenate(list(columns.values())),
        arrival_stamped=np.zeros(count * length, dtype=np.bool_),
    )


def iso(at_ms: int) -> str:
    """Give an instant (UTC, ms) as ISO 8601."""
    return dt.datetime.fromtimestamp(at_ms / 1000.0, dt.UTC).isoformat()
