"""A room's memory taken up from the store: as saved, or rebuilt from readings and incidents where it was lost."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from ingest.site.incidents import Incident, IncidentKind
from ingest.site.places import Sensor
from ingest.site.series import SeriesKey
from ingest.watch.window.excursions import Excursions
from ingest.watch.window.folding import Change, step_of
from ingest.watch.window.judge import SensorState
from ingest.watch.window.living import Kept
from ingest.watch.window.memory import Calm, RoomMemory, resumed
from ingest.watch.window.plan import bound_names, plan_of
from ingest.watch.window.rejudging import AHEAD_MS, matched, overlapping, thinned
from ingest.watch.window.sensing import Scene, judge_planned, samples_between

REACH_MS: Final = 32 * 86_400_000
"""How far back of its newest reading a room that is remembered no more is judged again (32 days; our choice)."""


def restored(scene: Scene, memory: RoomMemory, first_ms: int | None) -> Kept:
    """Take up a room of which nothing is at hand.

    memory: as saved, empty where it was lost.  first_ms: the earliest instant of what has just come (UTC), None where
    nothing has.
    """
    if memory.sensors or memory.incident is not None or memory.job:
        return Kept(memory, saved=memory)
    plan = plan_of(scene.room, scene.site.time_zone)
    memory = replace(memory, job=plan, plan=plan, marks=())
    newest_ms = _newest_ms(scene)
    if newest_ms is None or not bound_names(plan):
        return Kept(_resumed(scene, memory))
    from_ms = min(newest_ms, scene.now_ms) - REACH_MS
    return _rebuilt(scene, memory, _from_ms(scene, from_ms if first_ms is None else min(from_ms, first_ms)), first_ms)


def _newest_ms(scene: Scene) -> int | None:
    keys = [SeriesKey(sensor.id, name) for sensor in scene.air for name in ("temperature_c", "rh_percent")]
    return max((sample.at_ms for sample in scene.read.latest(keys).values()), default=None)


def _from_ms(scene: Scene, from_ms: int) -> int:
    """Give from when on to judge: what was closed is not touched, what is open is taken up at its beginning."""
    for incident in overlapping(scene.read, scene.room.id, from_ms):
        if incident.closed_ms is not None:
            from_ms = max(from_ms, incident.closed_ms + 1)
    return min([from_ms, *(incident.began_ms for incident in _open_windows(scene))])


def _open_windows(scene: Scene) -> list[Incident]:
    found = scene.read.incidents(room=scene.room.id, only_open=True)
    return [incident for incident in found if incident.kind is IncidentKind.WINDOW]


def _rebuilt(scene: Scene, memory: RoomMemory, from_ms: int, first_ms: int | None) -> Kept:
    excursions = Excursions(scene.site, scene.room, scene.air, memory)
    states: dict[str, SensorState] = {}
    calm: dict[str, tuple[Calm, ...]] = {}
    first: dict[str, int] = {}
    changes: list[tuple[Sensor, Change]] = []
    for sensor in scene.air:
        samples = samples_between(scene.read, sensor.id, bound_names(memory.plan), from_ms, scene.now_ms + AHEAD_MS + 1)
        if not len(samples):
            continue
        spans: list[Calm] = []
        state, found = judge_planned(SensorState(), samples, memory.plan, sensor.offline_after_s, spans)
        states[sensor.id], calm[sensor.id], first[sensor.id] = state, thinned(spans), int(samples.at_ms[0])
        changes += [(sensor, change) for change in found]
    excursions.follow(changes)
    excursions.grow(states)
    memory = excursions.remembered(replace(memory, sensors=states, calm=calm, first_ms=first))
    kept = _beside(scene, memory, excursions, from_ms, first_ms)
    return replace(kept, is_rebuilt=True, caught_up=frozenset(sensor.id for sensor in scene.air))


def _beside(scene: Scene, memory: RoomMemory, excursions: Excursions, from_ms: int, first_ms: int | None) -> Kept:
    """Lay what was rebuilt beside the incidents that are open; one that was not found again is resumed as it was."""
    there = [one for one in overlapping(scene.read, scene.room.id, from_ms) if one.is_open]
    pairs = matched(there, list(excursions.written.values()))
    if any(now is None for _, now in pairs):
        return Kept(_resumed(scene, memory))
    written: dict[str, Incident] = {}
    told: dict[str, Incident] = {}
    for was, now in pairs:
        assert now is not None
        stands = now if was is None else replace(now, id=was.id, revised_ms=was.revised_ms)
        if memory.incident is not None and memory.incident.id == now.id:
            memory = replace(memory, incident=stands)
        if stands == was:
            continue
        written[stands.id] = stands
        if _is_news(was, stands, first_ms):
            told[stands.id] = stands
    return Kept(memory, told=told, written=written)


def _is_news(was: Incident | None, stands: Incident, first_ms: int | None) -> bool:
    """Tell whether to tell: what came and went while nobody remembered is put down, and not shouted about afterwards.

    first_ms: the earliest instant of what has just come, None where nothing has.
    """
    if was is not None:
        return not stands.is_open
    return stands.closed_ms is None or (first_ms is not None and stands.closed_ms >= first_ms)


def _resumed(scene: Scene, memory: RoomMemory) -> RoomMemory:
    """Take over an incident that is open although nothing else is known of it."""
    windows = _open_windows(scene)
    if not windows:
        return memory
    state = resumed(windows[0])
    sensors = {**memory.sensors, windows[0].sensor: state}
    return replace(memory, incident=windows[0], sensors=sensors, worst=state.worst, written_step=step_of(state.worst))
