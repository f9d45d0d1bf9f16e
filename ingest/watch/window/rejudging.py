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
from dataclasses import replace
from typing import Final, NamedTuple

from ingest.site.incidents import Incident, IncidentKind, RoomState
from ingest.site.places import Sensor
from ingest.store.api import RecordReader
from ingest.watch.reasons import Telling, incident_reason, sensor_name
from ingest.watch.severity import RANK
from ingest.watch.window.excursions import Excursions
from ingest.watch.window.folding import Change
from ingest.watch.window.judge import SensorState
from ingest.watch.window.marks import marked, stops, through_ms
from ingest.watch.window.memory import CALM_KEPT, Calm, RoomMemory
from ingest.watch.window.plan import bound_names
from ingest.watch.window.sensing import Scene, judge_planned, samples_between, within_before
from ingest.watch.window.verdicts import Samples

AHEAD_MS: Final = 600_000
"""How far ahead of our clock an instant may lie and still be judged (10 minutes; our choice)."""

_SPARSE_MS: Final = 12 * 3_600_000
_AT_ONCE: Final = 50
_AT_FIRST: Final = 8


class Judged(NamedTuple):
    """What a room looks like after judging.  told: incidents that somebody should hear of.  written: those to write."""

    memory: RoomMemory
    told: dict[str, Incident]
    written: dict[str, Incident]


def rejudge(scene: Scene, memory: RoomMemory, from_ms: int, *, judged_ms: int | None = None) -> Judged:
    """Judge a room again from an instant on.

    memory: with marks that all that came leaves true.  from_ms: the earliest instant at which anything came late (UTC).
    judged_ms: through when incidents were judged before, None for through all that `memory` has seen.
    """
    revises = from_ms < (through_ms(memory, from_ms) if judged_ms is None else judged_ms)
    calm_ms = taken_up_ms(scene, memory, from_ms)
    marks = [mark for mark in memory.marks if through_ms(mark) > calm_ms]
    kept = memory.marks[: len(memory.marks) - len(marks)]
    run: _Run | None = None
    while run is None and marks:
        run = _Run.of_mark(scene, memory, marks[-1], (*kept, *marks), from_ms).to_the_end()
        marks.pop()
    if run is None:
        run = _Run.of_calm(scene, memory, kept, calm_ms).to_the_end()
        assert run is not None
    diff = Diff(scene, run.there(), revises=revises)
    for was, now in matched(run.there(), run.made()):
        diff.lay(was, now)
    return Judged(_with_newest(scene, memory, run.memory(), diff), diff.told, diff.written)


class _Run:
    """A room's judging taken up in the past, and gone through to now.

    begins: where each sensor is taken up.  marks: those that stand before it; those made on the way come behind them.
    """

    def __init__(self, scene: Scene, memory: RoomMemory, begins: RoomMemory, floor_ms: int) -> None:
        self._scene, self._memory, self._begins, self._floor_ms = scene, memory, begins, floor_ms
        self._excursions = Excursions(scene.site, scene.room, scene.air, begins)
        self._states, self._calm = dict(memory.sensors), dict(memory.calm)
        self._first = dict(memory.first_ms)
        self._samples: dict[str, Samples] = {}
        self._marks = list(begins.marks)

    @staticmethod
    def of_mark(
        scene: Scene, memory: RoomMemory, mark: RoomMemory, marks: tuple[RoomMemory, ...], from_ms: int
    ) -> _Run:
        """Take a room up at a mark."""
        cursors = {name: state.last_ms + 1 for name, state in mark.sensors.items() if state.last_ms is not None}
        floor_ms = min(cursors.values()) if mark.incident is None else mark.incident.opened_ms
        run = _Run(scene, memory, replace(mark, job=memory.job, plan=memory.plan, marks=marks), floor_ms)
        for sensor in scene.air:
            begin_ms = cursors.get(sensor.id, min(memory.first_ms.get(sensor.id, from_ms), from_ms))
            run._take_up(sensor, run._read(sensor, begin_ms), mark.sensors.get(sensor.id, SensorState()), begin_ms)
        return run

    @staticmethod
    def of_calm(scene: Scene, memory: RoomMemory, marks: tuple[RoomMemory, ...], from_ms: int) -> _Run:
        """Take a room up at an instant at which it was calm, or not heard yet."""
        run = _Run(scene, memory, RoomMemory(job=memory.job, plan=memory.plan, marks=marks), from_ms)
        for sensor in scene.air:
            first_ms = memory.first_ms.get(sensor.id)
            within = None if first_ms is None or first_ms >= from_ms else _within(memory, sensor.id, from_ms)
            back_ms = 0 if within is None else round(sensor.offline_after_s * 1000)
            state, samples = SensorState(), run._read(sensor, from_ms - back_ms)
            if within is not None:
                state, samples = within_before(samples, from_ms, within[0])
            run._take_up(sensor, samples, state, from_ms)
        return run

    def _read(self, sensor: Sensor, from_ms: int) -> Samples:
        names, to_ms = bound_names(self._memory.plan), self._scene.now_ms + AHEAD_MS + 1
        return samples_between(self._scene.read, sensor.id, names, from_ms, to_ms)

    def _take_up(self, sensor: Sensor, samples: Samples, state: SensorState, begin_ms: int) -> None:
        name = sensor.id
        self._states[name], self._samples[name] = state, samples
        self._calm[name] = tuple(span for span in self._memory.calm.get(name, ()) if span[1] <= begin_ms)
        if len(samples):
            first_ms = int(samples.at_ms[0])
            self._first[name] = min(first_ms, self._first.get(name, first_ms))

    def to_the_end(self) -> _Run | None:
        """Judge all that the store has; None where a sensor turns before what was followed where this was taken up."""
        ends = [int(samples.at_ms[-1]) for samples in self._samples.values() if len(samples)]
        begins = [int(samples.at_ms[0]) for samples in self._samples.values() if len(samples)]
        from_ms = through_ms(self._begins, min(begins, default=0))
        places = dict.fromkeys(self._samples, 0)
        for until_ms in [*stops(self._memory, from_ms, max(ends, default=0)), None]:
            changes: list[tuple[Sensor, Change]] = []
            for sensor in self._scene.air:
                samples, first = self._samples[sensor.id], places[sensor.id]
                end = len(samples) if until_ms is None else int(samples.at_ms.searchsorted(until_ms))
                places[sensor.id] = end
                changes += [(sensor, change) for change in self._judge(sensor, samples.part(first, end))]
            if self._excursions.is_behind(changes):
                return None
            self._excursions.follow(changes)
            if until_ms is not None:
                now = marked(replace(self._now(), marks=tuple(self._marks)))
                self._marks = list(now.marks)
        self._excursions.grow(self._states)
        return self

    def _judge(self, sensor: Sensor, samples: Samples) -> list[Change]:
        calm = list(self._calm[sensor.id])
        state, changes = judge_planned(
            self._states[sensor.id], samples, self._memory.plan, sensor.offline_after_s, calm
        )
        self._states[sensor.id], self._calm[sensor.id] = state, thinned(calm)
        return changes

    def _now(self) -> RoomMemory:
        states = {name: state for name, state in self._states.items() if state.last_ms is not None}
        return self._excursions.remembered(replace(self._memory, sensors=states))

    def there(self) -> list[Incident]:
        """Give the incidents that were there of what was judged, as they stand in the store."""
        found = overlapping(self._scene.read, self._scene.room.id, self._floor_ms)
        # At a mark, all that had opened before the newest incident then was over, and is not touched.
        return [one for one in found if not self._begins.sensors or one.opened_ms >= self._floor_ms]

    def made(self) -> list[Incident]:
        """Give the incidents that judging has made, the one that was the newest where it was taken up among them."""
        made = self._excursions.written
        was = self._begins.incident
        return list(made.values()) if was is None or was.id in made else [was, *made.values()]

    def memory(self) -> RoomMemory:
        """Give the room's memory after all that was judged."""
        memory, before = self._memory, self._memory.followed
        memory = replace(memory, sensors=self._states, calm=self._calm, first_ms=self._first, marks=tuple(self._marks))
        after = self._excursions.remembered(memory)
        if after.followed is None and before is not None and before[0] < self._floor_ms:
            return replace(after, followed=before)
        return after


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
