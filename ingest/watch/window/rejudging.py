"""A stretch of a room's life judged again, because readings of it came late: incidents appear, move or vanish.

Whatever order readings come in, the incidents are those that would have come of the readings in order. So where
something comes that lies before what was judged, the room is taken up at a place at which each of its sensors is known
to have been within (or was not heard yet) and no incident was open, all that the store has from there on is judged in
order, and the incidents that this makes are laid beside those that were there: what agrees stays, what differs is
revised, what is new appears, what did not happen is withdrawn. An incident that only moves keeps its id, and with it
its mails, and whatever people did with it.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

from ingest.site.incidents import Incident, IncidentKind, RoomState
from ingest.site.places import Sensor
from ingest.store.api import RecordReader
from ingest.watch.reasons import Telling, incident_reason, sensor_name
from ingest.watch.severity import RANK
from ingest.watch.window.excursions import Excursions
from ingest.watch.window.folding import Change
from ingest.watch.window.judge import SensorState
from ingest.watch.window.memory import CALM_KEPT, Calm, RoomMemory
from ingest.watch.window.plan import bound_names
from ingest.watch.window.scene import Scene
from ingest.watch.window.sensing import judge_planned, samples_between, within_before

AHEAD_MS: Final = 600_000
"""How far ahead of our clock an instant may lie and still be judged (10 minutes; our choice)."""

_SPARSE_MS: Final = 12 * 3_600_000
_AT_ONCE: Final = 50
_AT_FIRST: Final = 8


@dataclass(frozen=True, slots=True)
class Judged:
    """What a room looks like after judging.  told: incidents that somebody should hear of.  written: those to write."""

    memory: RoomMemory
    told: dict[str, Incident]
    written: dict[str, Incident]


def rejudge(scene: Scene, memory: RoomMemory, from_ms: int, *, judged_ms: int | None = None) -> Judged:
    """Judge a room again from an instant on.

    from_ms: the earliest instant at which anything came late (UTC).  judged_ms: through when incidents were judged
    before, None for through all that `memory` has seen.
    """
    revises = from_ms < (newest_ms(memory, from_ms) if judged_ms is None else judged_ms)
    from_ms = taken_up_ms(scene, memory, from_ms)
    excursions = Excursions(scene.site, scene.room, scene.air, RoomMemory(job=memory.job, plan=memory.plan))
    changes: list[tuple[Sensor, Change]] = []
    states, calm, first = dict(memory.sensors), dict(memory.calm), dict(memory.first_ms)
    for sensor in scene.air:
        past = [span for span in memory.calm.get(sensor.id, ()) if span[1] <= from_ms]
        state, found, first_ms = _again(scene, memory, sensor, from_ms, past)
        if first_ms is not None:
            first[sensor.id] = min(first_ms, first.get(sensor.id, first_ms))
        states[sensor.id] = state
        calm[sensor.id] = thinned(past)
        changes += [(sensor, change) for change in found]
    excursions.follow(changes)
    excursions.grow(states)
    there = list(overlapping(scene.read, scene.room.id, from_ms))
    diff = Diff(scene, there, revises=revises)
    for was, now in matched(there, list(excursions.written.values())):
        diff.lay(was, now)
    after = excursions.remembered(replace(memory, sensors=states, calm=calm, first_ms=first))
    if after.followed is None and memory.followed is not None and memory.followed[0] < from_ms:
        after = replace(after, followed=memory.followed)
    return Judged(_with_newest(scene, memory, after, diff), diff.told, diff.written)


def newest_ms(memory: RoomMemory, default: int) -> int:
    """Give the newest instant that was judged of any sensor, `default` where none was."""
    return max((state.last_ms for state in memory.sensors.values() if state.last_ms is not None), default=default)


def taken_up_ms(scene: Scene, memory: RoomMemory, from_ms: int) -> int:
    """Give the last instant, `from_ms` or earlier, at which no sensor was anything but within, and nothing was open."""
    while True:
        starts = [restart_ms(memory, sensor.id, from_ms) for sensor in scene.air]
        starts += [incident.began_ms for incident in overlapping(scene.read, scene.room.id, from_ms)]
        earliest = min(starts, default=from_ms)
        if earliest >= from_ms:
            return from_ms
        from_ms = earliest


def restart_ms(memory: RoomMemory, sensor: str, at_ms: int) -> int:
    """Give the last instant, `at_ms` or earlier, before which a sensor was within, or was never judged."""
    first_ms = memory.first_ms.get(sensor)
    if first_ms is None or first_ms >= at_ms:
        return at_ms
    found = _within(memory, sensor, at_ms)
    return first_ms if found is None else min(at_ms, found[1])


def _within(memory: RoomMemory, sensor: str, at_ms: int) -> Calm | None:
    """Give the newest stretch within that began before an instant."""
    state = memory.sensors.get(sensor)
    if (
        state is not None
        and state.state is RoomState.IN_RANGE
        and state.since_ms is not None
        and state.since_ms < at_ms
    ):
        return state.since_ms, at_ms
    return next((span for span in reversed(memory.calm.get(sensor, ())) if span[0] < at_ms), None)


def _again(
    scene: Scene, memory: RoomMemory, sensor: Sensor, from_ms: int, calm: list[Calm]
) -> tuple[SensorState, list[Change], int | None]:
    """Judge one sensor from where the room is taken up; give its state, its changes and the first instant judged."""
    names, to_ms = bound_names(memory.plan), scene.now_ms + AHEAD_MS + 1
    first_ms = memory.first_ms.get(sensor.id)
    within = None if first_ms is None or first_ms >= from_ms else _within(memory, sensor.id, from_ms)
    back_ms = 0 if within is None else round(sensor.offline_after_s * 1000)
    samples = samples_between(scene.read, sensor.id, names, from_ms - back_ms, to_ms)
    state = SensorState()
    if within is not None:
        state, samples = within_before(samples, from_ms, within[0])
    begins_ms = int(samples.at_ms[0]) if len(samples) else None
    state, changes = judge_planned(state, samples, memory.plan, sensor.offline_after_s, calm)
    return state, changes, begins_ms


def thinned(calm: Sequence[Calm]) -> tuple[Calm, ...]:
    """Keep the newest calm stretches, and of the older ones those that lie well apart."""
    recent = list(calm[-CALM_KEPT // 2 :])
    for span in reversed(calm[: -CALM_KEPT // 2]):
        if recent[0][0] - span[0] >= _SPARSE_MS:
            recent.insert(0, span)
    return tuple(recent[-CALM_KEPT:])


def of_window(incident: Incident) -> bool:
    """Tell whether an incident is about a room's window."""
    return incident.kind is IncidentKind.WINDOW


def overlapping(
    read: RecordReader, room: str, from_ms: int, wanted: Callable[[Incident], bool] = of_window
) -> Iterator[Incident]:
    """Give a room's incidents that were open at or after an instant, newest first.

    wanted: tells which; of those, one must be over before the next opens (a room's window, one rule of one sensor).
    """
    before_ms, seen = None, set[str]()
    limit = _AT_FIRST
    while True:
        page = read.incidents(room=room, limit=limit, before_ms=before_ms)
        new = [incident for incident in page if incident.id not in seen]
        for incident in filter(wanted, new):
            if incident.closed_ms is not None and incident.closed_ms < from_ms:
                return
            yield incident
        if len(page) < limit:
            return
        seen |= {incident.id for incident in new}
        before_ms = page[-1].opened_ms + 1  # others may have opened at the very instant at which the page ends
        limit = min(limit * 4, 1000) if new else limit * 4


def matched(there: Sequence[Incident], made: Sequence[Incident]) -> list[tuple[Incident | None, Incident | None]]:
    """Pair incidents that were there with those that judging again makes: the same event is what overlaps in time."""
    left = sorted(there, key=lambda incident: incident.opened_ms)
    # What opened at the same instant is the same for certain; only what is left over is paired by overlapping.
    certain = {one.opened_ms: one for one in left}
    certain = {now.opened_ms: certain[now.opened_ms] for now in made if now.opened_ms in certain}
    left = [one for one in left if one.opened_ms not in certain]
    pairs: list[tuple[Incident | None, Incident | None]] = []
    for now in made:
        was = certain.get(now.opened_ms) or next((one for one in left if _overlap(one, now)), None)
        if was in left:
            left.remove(was)
        pairs.append((was, now))
    return pairs + [(was, None) for was in left]


def _overlap(one: Incident, other: Incident) -> bool:
    return (other.closed_ms is None or one.began_ms <= other.closed_ms) and (
        one.closed_ms is None or other.began_ms <= one.closed_ms
    )


class Diff:
    """What has to be written and told because of what judging again has shown.

    revises: whether it lies in the past of what was judged; else it only goes on with it (the rest of an instant, that
    came in another pack), and no incident was revised.
    """

    def __init__(self, scene: Scene, there: Sequence[Incident], *, revises: bool = True) -> None:
        self._revises = revises
        self.told: dict[str, Incident] = {}
        self.written: dict[str, Incident] = {}
        self.newest: Incident | None = None
        self._scene = scene
        self._site, self._now_ms = scene.site, scene.now_ms
        self._taken = {incident.id for incident in there}

    def lay(self, was: Incident | None, now: Incident | None) -> None:
        """Lay an incident that was there beside what it is now."""
        if now is None:
            assert was is not None
            self._note(self._withdrawn(was), told=True)
            return
        if was is None:
            self.newest = self._note(self._named(now), told=True)
        elif same(was, now):
            self.newest = self._grown(was, now)
        else:
            revised_ms = self._now_ms if self._revises else was.revised_ms
            now = replace(carried(now, was), withdrawn_ms=None, revised_ms=revised_ms)
            self.newest = self._note(self._with_reason(now), told=was.is_open is not now.is_open)

    def _grown(self, was: Incident, now: Incident) -> Incident:
        now = replace(was, severity=now.severity, excess_hours=now.excess_hours)
        if now == was:
            return was
        return self._note(now, told=now.is_open and RANK[now.severity] > RANK[was.severity])

    def _named(self, new: Incident) -> Incident:
        """Give a new incident an id that no other has: one that moved keeps the id of the instant at which it stood."""
        page = self._scene.read.incidents(room=new.room, limit=_AT_ONCE, before_ms=new.opened_ms)
        taken = self._taken | {incident.id for incident in page}
        tries = itertools.chain([new.id], (f"{new.id}.{number}" for number in itertools.count(2)))
        name = next(one for one in tries if one not in taken)
        self._taken.add(name)
        return replace(new, id=name)

    def _note(self, incident: Incident, *, told: bool) -> Incident:
        self.written[incident.id] = incident
        if told:
            self.told[incident.id] = incident
        return incident

    def _with_reason(self, incident: Incident) -> Incident:
        name = sensor_name(self._site.sensor(incident.sensor), incident.sensor)
        return replace(incident, reason=incident_reason(incident, name, Telling(self._site.time_zone)))

    def _withdrawn(self, was: Incident) -> Incident:
        closed_ms = self._now_ms if was.closed_ms is None else was.closed_ms
        gone = replace(was, closed_ms=max(closed_ms, was.opened_ms), withdrawn_ms=self._now_ms)
        return self._with_reason(gone)


def same(one: Incident, other: Incident) -> bool:
    """Tell whether two incidents say the same of what happened, whatever their ids, sentences and what follows."""
    alike = replace(carried(other, one), reason=one.reason, revised_ms=one.revised_ms)
    return one == replace(alike, severity=one.severity, excess_hours=one.excess_hours)


def carried(now: Incident, was: Incident) -> Incident:
    """Give an incident as judged now under the id of what it was, with what others have put down of that."""
    return replace(
        now,
        id=was.id,
        withdrawn_ms=was.withdrawn_ms,
        wood=was.wood,
        cause=was.cause,
    )


def _with_newest(scene: Scene, before: RoomMemory, after: RoomMemory, diff: Diff) -> RoomMemory:
    """Let the memory hold the newest incident that stands, under the id that it has in the store."""
    if diff.newest is not None:
        known = before.incident if before.incident is not None and before.incident.id == diff.newest.id else None
        openings = 1 if known is None else before.openings + (diff.newest.is_open and not known.is_open)
        return replace(after, incident=diff.newest, openings=openings)
    gone = {incident.id for incident in diff.written.values()}
    standing = _newest_windows(scene)
    newest = next((one for one in standing if one.id not in gone), None)
    return replace(after, incident=newest, worst=None, written_step=-1, openings=1)


def _newest_windows(scene: Scene) -> Iterator[Incident]:
    found = scene.read.incidents(room=scene.room.id, limit=_AT_ONCE)
    return (incident for incident in found if incident.kind is IncidentKind.WINDOW)
