"""The rounds of the watch: judging what has come in, and noticing what has not, each inside one unit of work.

Every air sensor of a room is judged by itself; the room stands as its worst sensor does. A room has one window incident
at a time: it opens when the first sensor is out and closes when none is out or returning any more. Silence is told per
sensor (`ingest.watch.silence`).

What this edition does not do: readings older than what was judged are stored, counted and said to be so, but not judged
again; the samples judged are those at and after the instant last judged, and never reach back further than the batch's
first reading and the minute in which the store lets a temperature complete a humidity that came before it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ingest.site.incidents import Incident, IncidentKind
from ingest.site.places import AcclimationWindow, Place, Room, Sensor, Site
from ingest.site.series import Int64s, ReadingBatch, SeriesKey
from ingest.store.api import SeriesReader, UnitOfWork
from ingest.store.series.pairing import TEMPERATURE_AFTER_MS
from ingest.watch.excursions import Excursions
from ingest.watch.judge import Change, Rule, Samples, SensorState, after_clock_set_back, judge_series, under_new_window
from ingest.watch.memory import RoomMemory, from_json, resumed, to_json, window_facts
from ingest.watch.silence import listen

BY: Final = "watch"
MEASURED: Final = frozenset({"temperature_c", "rh_percent"})
"""The measured quantities from which everything that a window bounds is had."""

AHEAD_MS: Final = 600_000
"""How far ahead of our clock an instant may lie and still be judged (10 minutes; our choice)."""


class _Heard(NamedTuple):
    """What a batch holds of one air sensor: the instants of its judged quantities, UTC ms, in order of time."""

    sensor: Sensor
    at_ms: Int64s


def judge_readings(work: UnitOfWork, site: Site, batch: ReadingBatch, *, now_ms: int) -> list[Incident]:
    """Judge the readings of a batch that `work` has appended; write judgements and incidents.

    now_ms: our clock, UTC; readings more than `AHEAD_MS` ahead of it are counted and not judged.
    Gives the incidents that opened, reopened or closed, each once, as they stand now (one that opened and closed within
    the batch is given closed), in order of opening.
    """
    told: dict[str, Incident] = {}
    rooms, air = {room.id: room for room in site.rooms}, _air_by_room(site)
    for room_id, heard in _by_room(site, batch).items():
        if room_id in rooms:
            told |= _judge_room(work, site, rooms[room_id], air[room_id], heard, now_ms)
    return sorted(told.values(), key=lambda incident: incident.opened_ms)


def judge_silence(work: UnitOfWork, site: Site, *, now_ms: int) -> list[Incident]:
    """Open an incident for each sensor that has fallen silent, close those of sensors that are heard again.

    To be called at least every five minutes of the clock that gives `now_ms` (see `ingest.watch.silence`, which says
    what a wall clock that steps does). Also closes window incidents of rooms whose window or sensors were taken away.
    Gives the incidents that opened or closed.
    """
    told: dict[str, Incident] = {}
    heard, air = work.read.heard(), _air_by_room(site)
    for room in site.rooms:
        memory, excursions = _settled(work, site, room, air.get(room.id, ()), now_ms)
        memory, silences = listen(memory, site, room, heard, now_ms)
        told |= excursions.told | silences
        for incident in (excursions.written | silences).values():
            work.put_incident(incident, at_ms=now_ms, by=BY)
        work.save_judgement(room.id, to_json(memory))
    return sorted(told.values(), key=lambda incident: incident.opened_ms)


def _air_by_room(site: Site) -> dict[str, tuple[Sensor, ...]]:
    """Give each room's air sensors, found in one pass: asking the site per room would cost its sensors times rooms."""
    rooms: dict[str, tuple[Sensor, ...]] = {}
    for sensor in site.sensors:
        if sensor.place is Place.AIR:
            rooms[sensor.room] = (*rooms.get(sensor.room, ()), sensor)
    return rooms


def _by_room(site: Site, batch: ReadingBatch) -> dict[str, list[_Heard]]:
    """Sort a batch's judged readings by room and sensor; what is not judged is left out."""
    sensors = {sensor.id: sensor for sensor in site.sensors}
    rooms: dict[str, list[_Heard]] = {}
    for sensor_id, at_ms in _by_sensor(batch):
        sensor = sensors.get(sensor_id)
        if sensor is not None and sensor.place is Place.AIR:
            rooms.setdefault(sensor.room, []).append(_Heard(sensor, at_ms))
    return rooms


def _by_sensor(batch: ReadingBatch) -> Iterator[tuple[str, Int64s]]:
    order = np.argsort(batch.key_index, kind="stable")
    ends = np.searchsorted(batch.key_index[order], np.arange(len(batch.keys) + 1))
    instants: dict[str, list[Int64s]] = {}
    for index, key in enumerate(batch.keys):
        if key.quantity in MEASURED:
            instants.setdefault(key.sensor, []).append(batch.at_ms[order[ends[index] : ends[index + 1]]])
    for sensor, columns in instants.items():
        yield sensor, np.sort(np.concatenate(columns))


def _judge_room(
    work: UnitOfWork, site: Site, room: Room, air: tuple[Sensor, ...], heard: list[_Heard], now_ms: int
) -> dict[str, Incident]:
    memory, excursions = _settled(work, site, room, air, now_ms)
    if room.window is not None:
        changes: list[tuple[Sensor, Change]] = []
        for sensor, at_ms in heard:
            memory, found = _judge_sensor(work.read, memory, room.window, sensor, at_ms, now_ms)
            changes += [(sensor, change) for change in found]
        excursions.follow(changes)
        memory = excursions.remembered(memory)
    for incident in excursions.written.values():
        work.put_incident(incident, at_ms=now_ms, by=BY)
    work.save_judgement(room.id, to_json(memory))
    return excursions.told


def _judge_sensor(
    read: SeriesReader, memory: RoomMemory, window: AcclimationWindow, sensor: Sensor, at_ms: Int64s, now_ms: int
) -> tuple[RoomMemory, list[Change]]:
    state = memory.sensors.get(sensor.id, SensorState())
    last_possible_ms = now_ms + AHEAD_MS
    if state.last_ms is not None and state.last_ms > last_possible_ms:
        state = after_clock_set_back(state)
    late = 0 if state.last_ms is None else int(np.searchsorted(at_ms, state.last_ms))
    judged = int(np.searchsorted(at_ms, last_possible_ms, side="right"))
    memory = replace(
        memory,
        late=memory.late + late,
        late_ms=int(at_ms[late - 1]) if late else memory.late_ms,
        ahead=memory.ahead + len(at_ms) - judged,
    )
    changes: list[Change] = []
    if judged > late:
        first_ms = int(at_ms[late]) - TEMPERATURE_AFTER_MS
        if state.last_ms is not None:
            # The instant judged last is judged again if it can be: the batch may hold its other half.
            first_ms = max(first_ms, state.last_ms + (state.before is None))
        samples = samples_between(read, sensor.id, window, first_ms, int(at_ms[judged - 1]) + 1)
        state, changes = judge_series(state, samples, Rule.of(window, sensor.silent_after_s))
    return replace(memory, sensors={**memory.sensors, sensor.id: state}), changes


def samples_between(read: SeriesReader, sensor: str, window: AcclimationWindow, from_ms: int, to_ms: int) -> Samples:
    """Read what the window bounds, from_ms <= instant < to_ms, as columns over all instants at which any was measured.

    Temperature and RH are paired by the store's own derived series, here as everywhere.
    """
    series = {name: read.read(SeriesKey(sensor, name), from_ms, to_ms) for name in window.bounds()}
    at_ms = np.unique(np.concatenate([one.at_ms for one in series.values()])) if series else np.empty(0, np.int64)
    values: dict[str, NDArray[np.float64]] = {}
    for name, one in series.items():
        values[name] = np.full(len(at_ms), np.nan)
        values[name][np.searchsorted(at_ms, one.at_ms)] = one.value
    return Samples(at_ms, values)


def _settled(
    work: UnitOfWork, site: Site, room: Room, air: tuple[Sensor, ...], now_ms: int
) -> tuple[RoomMemory, Excursions]:
    """Recall a room and bring it in line with the site as it stands now: its window, its sensors, its open incident."""
    memory = from_json(work.read.judgement(room.id))
    if not memory.sensors and memory.incident is None:
        memory = _recovered(work, room, memory)
    facts = window_facts(room.window)
    if memory.window != facts:
        memory = _with_window(memory, room.window, facts, now_ms)
    names = {sensor.id for sensor in air}
    if not names.issuperset(memory.sensors):
        memory = replace(memory, sensors={name: state for name, state in memory.sensors.items() if name in names})
    excursions = Excursions(site, room, air, memory)
    excursions.settle(now_ms)
    return excursions.remembered(memory), excursions


def _recovered(work: UnitOfWork, room: Room, memory: RoomMemory) -> RoomMemory:
    """Take over an incident that is open although nothing is remembered of it."""
    windows = [i for i in work.read.incidents(room=room.id, only_open=True) if i.kind is IncidentKind.WINDOW]
    if not windows:
        return memory
    state = resumed(windows[0])
    share = 0.0 if state.worst is None else state.worst.share
    return replace(
        memory, incident=windows[0], sensors={windows[0].sensor: state}, worst=state.worst, written_share=share
    )


def _with_window(
    memory: RoomMemory, window: AcclimationWindow | None, facts: Mapping[str, object] | None, now_ms: int
) -> RoomMemory:
    if window is None:
        sensors: Mapping[str, SensorState] = {}
    elif memory.window is None:
        # Nothing was judged by another window: this is the first, or what is remembered was recovered.
        sensors = memory.sensors
    else:
        sensors = {name: under_new_window(state, window) for name, state in memory.sensors.items()}
    changed_ms = memory.window_changed_ms if memory.window is None else now_ms
    return replace(memory, window=facts, window_changed_ms=changed_ms, sensors=sensors)
