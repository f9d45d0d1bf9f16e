"""A room as its readings come in: judged from the batch where that is enough, else from the store, else again.

Reads the store, writes nothing: `ingest.watch.rounds` writes what is given back.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, NamedTuple

from ingest.site.incidents import Incident, RoomState
from ingest.site.places import Sensor
from ingest.store.api import StoreReader
from ingest.store.series.pairing import TEMPERATURE_AFTER_MS
from ingest.watch.window.arrivals import Arrived
from ingest.watch.window.excursions import Excursions
from ingest.watch.window.folding import Change, is_told, judge_series, step_of
from ingest.watch.window.judge import Rule, SensorState, judge, under_new_window
from ingest.watch.window.marks import marked, standing, through_ms
from ingest.watch.window.memory import CALM_KEPT, Calm, RoomMemory
from ingest.watch.window.plan import Plan, bound_names, changed, plan_of, window_at
from ingest.watch.window.rejudging import AHEAD_MS, Judged, rejudge, thinned
from ingest.watch.window.sensing import Scene, judge_planned, samples_between

_FEW: Final = 4
"""So many samples are judged one by one faster than as a series."""


@dataclass(frozen=True, slots=True)
class Kept:
    """A room's memory at hand.

    saved, saved_ms: the memory last saved, and when.  caught_up: the sensors of which everything was judged that the
    store has: what a memory read from the store says may lag behind.  is_rebuilt: whether it was just made from all
    that the store has, and nothing is left to judge.
    told, written: incidents that changed when the memory was brought in line with store and site.
    looked: states of sensors that were found to have turned in nothing since the memory was saved.
    """

    memory: RoomMemory
    saved: RoomMemory | None = None
    saved_ms: int = -(2**62)
    caught_up: frozenset[str] = frozenset()
    is_rebuilt: bool = False
    told: dict[str, Incident] = field(default_factory=dict)
    written: dict[str, Incident] = field(default_factory=dict)
    looked: Mapping[str, SensorState] = field(default_factory=dict)


class _Sensed(NamedTuple):
    """What judging one sensor's new samples gave.

    late_ms: from when on the room must be judged again, if it must.  first_ms: the first instant judged.
    """

    state: SensorState
    changes: list[Change]
    calm: list[Calm]
    late_ms: int | None = None
    first_ms: int | None = None


def settled(scene: Scene, kept: Kept) -> Kept:
    """Bring a room's memory in line with the site: its windows, its sensors, its open incident."""
    memory, job = kept.memory, plan_of(scene.room, scene.site.time_zone)
    if memory.job != job:
        memory = _with_job(memory, job, scene.now_ms)
    names = {sensor.id for sensor in scene.air}
    if not names.issuperset(memory.sensors):
        memory = replace(
            memory,
            sensors={name: state for name, state in memory.sensors.items() if name in names},
            calm={name: spans for name, spans in memory.calm.items() if name in names},
            first_ms={name: at_ms for name, at_ms in memory.first_ms.items() if name in names},
        )
    if memory is kept.memory and (memory.incident is None or not memory.incident.is_open or _any_active(memory)):
        return kept
    # What marks were judged by is not what holds now.
    memory = replace(memory, marks=())
    excursions = Excursions(scene.site, scene.room, scene.air, memory)
    excursions.settle(scene.now_ms)
    return replace(
        kept,
        memory=excursions.remembered(memory),
        told=kept.told | excursions.told,
        written=kept.written | excursions.written,
    )


def caught_up(kept: Kept, arrived: Sequence[Arrived], now_ms: int) -> frozenset[str]:
    """Give the sensors of which everything in the store was judged, once what came has been judged.

    One that has readings ahead of our clock is not among them: those are to be judged when their time has come.
    """
    ahead = {came.sensor.id for came in arrived if next(reversed(came.rows)) > now_ms + AHEAD_MS}
    names = {came.sensor.id for came in arrived} - ahead
    if not ahead and names <= kept.caught_up:
        return kept.caught_up
    return (kept.caught_up | names) - ahead


def turned(saved: RoomMemory | None, memory: RoomMemory, looked: Mapping[str, SensorState]) -> bool:
    """Tell whether a memory differs from the one saved in something that must not be lost or late.

    looked: states of sensors that need not be looked at again.
    """
    if saved is None or saved.silent != memory.silent or saved.job is not memory.job or saved.late != memory.late:
        return True
    if saved.ahead != memory.ahead or len(saved.sensors) != len(memory.sensors) or saved.marks is not memory.marks:
        return True
    fresh = [(name, state) for name, state in memory.sensors.items() if looked.get(name) is not state]
    return any(
        (was := saved.sensors.get(name)) is None
        or was.state is not state.state
        or was.since_ms != state.since_ms
        or is_told(was, state)
        for name, state in fresh
    )


def judge_arrived(scene: Scene, kept: Kept, arrived: Sequence[Arrived]) -> Judged:
    """Judge what came of a room's sensors."""
    if not bound_names(kept.memory.plan):
        return Judged(kept.memory, {}, {})
    if kept.memory.marks:
        kept = replace(kept, memory=_with_true_marks(kept.memory, arrived, scene.now_ms))
    judged = _judged(scene, kept, arrived)
    return judged._replace(memory=marked(judged.memory))


def _with_true_marks(memory: RoomMemory, arrived: Sequence[Arrived], now_ms: int) -> RoomMemory:
    came_of, names = {came.sensor.id: came for came in arrived}, bound_names(memory.plan)

    def upsets(sensor: str, state: SensorState) -> bool:
        came = came_of.get(sensor)
        if came is None or state.last_ms is None:
            return False
        return came.first_ms <= state.last_ms or _late_ms(state, came, names, now_ms) is not None

    return standing(memory, upsets)


def _judged(scene: Scene, kept: Kept, arrived: Sequence[Arrived]) -> Judged:
    taking = _Taking(scene, kept)
    for came in arrived:
        taking.take(came)
    after, late = taking.memory(), taking.late
    # Only what a sensor sums up that is out makes an incident weigh more.
    grows = after.incident is not None and after.incident.is_open and any(map(taking.is_active, arrived))
    if not taking.changes and not late and not grows:
        return Judged(after, {}, {})
    excursions = Excursions(scene.site, scene.room, scene.air, kept.memory)
    if late or excursions.is_behind(taking.changes):
        # What the batch changed in order is not followed then: it must lie in the stretch that is judged again.
        late += [change.at_ms for _, change in taking.changes]
    if late:
        return rejudge(scene, after, min(late), judged_ms=through_ms(kept.memory, min(late)))
    excursions.follow(taking.changes)
    excursions.grow(after.sensors)
    if not taking.changes and not excursions.written:
        return Judged(after, {}, {})
    return Judged(excursions.remembered(after), excursions.told, excursions.written)


class _Taking:
    """What came of a room's sensors, taken in one sensor after the other."""

    def __init__(self, scene: Scene, kept: Kept) -> None:
        self.changes: list[tuple[Sensor, Change]] = []
        self.late: list[int] = []
        self._scene, self._kept, self._before = scene, kept, kept.memory
        self._states = dict(kept.memory.sensors)
        self._calm: dict[str, tuple[Calm, ...]] = {}
        self._first: dict[str, int] = {}
        self._late_count = self._ahead = 0

    def take(self, came: Arrived) -> None:
        """Judge one sensor's samples."""
        in_time = came.until(self._scene.now_ms + AHEAD_MS)
        self._ahead += len(came.rows) - len(in_time.rows)
        if not in_time.rows or self._kept.is_rebuilt:
            return
        name = came.sensor.id
        sensed = _sense(self._scene.read, self._kept, in_time, self._scene.now_ms)
        if sensed.late_ms is not None:
            last_ms = sensed.state.last_ms or 0
            self.late.append(sensed.late_ms)
            self._late_count += sum(at_ms < last_ms for at_ms in in_time.rows)
            return
        self._states[name] = sensed.state
        self.changes += [(came.sensor, change) for change in sensed.changes]
        if sensed.calm:
            self._calm[name] = _with_calm(self._before.calm.get(name, ()), sensed.calm)
        if name not in self._before.first_ms and sensed.first_ms is not None:
            self._first[name] = sensed.first_ms

    def is_active(self, came: Arrived) -> bool:
        """Say whether a sensor of which something came holds an incident open."""
        state = self._states.get(came.sensor.id)
        return state is not None and state.active

    def memory(self) -> RoomMemory:
        """Give the room's memory with all that was taken in."""
        before = self._before
        return replace(
            before,
            sensors=self._states,
            calm={**before.calm, **self._calm} if self._calm else before.calm,
            first_ms={**before.first_ms, **self._first} if self._first else before.first_ms,
            ahead=before.ahead + self._ahead,
            late=before.late + self._late_count,
            late_ms=min(self.late) if self._late_count else before.late_ms,
        )


def _sense(read: StoreReader, kept: Kept, came: Arrived, now_ms: int) -> _Sensed:
    """Judge one sensor's new samples, from the batch if it holds all that is needed."""
    memory = kept.memory
    state = memory.sensors.get(came.sensor.id, SensorState())
    names = bound_names(memory.plan)
    late_ms = _late_ms(state, came, names, now_ms)
    if late_ms is not None:
        return _Sensed(state, [], [], late_ms)
    complete = "emc_percent" not in names or came.is_paired
    after_last = state.last_ms is None or came.first_ms > state.last_ms
    if came.sensor.id in kept.caught_up and complete and after_last and _one_window(memory, state, came):
        return _from_batch(state, memory, came)
    return _from_store(read, state, memory, came, names)


def _late_ms(state: SensorState, came: Arrived, names: Sequence[str], now_ms: int) -> int | None:
    """Give from when on a sensor must be judged again because of what came, or None."""
    if state.last_ms is None:
        return None
    # A temperature can complete the EMC of humidities that came before it.
    reach_ms = TEMPERATURE_AFTER_MS if "emc_percent" in names else 0
    if state.last_ms > now_ms + AHEAD_MS or came.first_ms < state.last_ms:
        return came.first_ms - reach_ms
    humid_ms = state.held["rh_percent"][1] if "rh_percent" in state.held else state.last_ms
    derived_ms = state.held["emc_percent"][1] if "emc_percent" in state.held else -1
    if reach_ms and derived_ms < humid_ms < came.first_ms <= humid_ms + reach_ms:
        return came.first_ms - reach_ms
    return None


def _one_window(memory: RoomMemory, state: SensorState, came: Arrived) -> bool:
    """Tell whether no change of window lies among the samples, or between them and what was judged."""
    since_ms = memory.plan[-1].from_ms
    return came.first_ms >= since_ms and (state.last_ms is None or state.last_ms >= since_ms)


def _from_batch(state: SensorState, memory: RoomMemory, came: Arrived) -> _Sensed:
    window = memory.plan[-1].window
    if window is None:
        return _Sensed(state, [], [])
    rule = Rule.of(window, came.sensor.offline_after_s)
    changes: list[Change] = []
    calm: list[Calm] = []
    if len(came.rows) > _FEW:
        state, changes = judge_series(state, came.columns(rule.bounds), rule, calm)
        return _Sensed(state, changes, calm, first_ms=came.first_ms)
    for sample in came.samples(rule.bounds):
        after, _ = judge(state, sample, rule)
        if state.state is RoomState.IN_RANGE is not after.state and state.since_ms is not None:
            calm.append((state.since_ms, sample.at_ms))
        if is_told(state, after):
            changes.append(Change(sample.at_ms, state, after))
        state = after
    return _Sensed(state, changes, calm, first_ms=came.first_ms)


def _from_store(
    read: StoreReader, state: SensorState, memory: RoomMemory, came: Arrived, names: Sequence[str]
) -> _Sensed:
    """Judge what the store has since what was judged last; that instant too if it can be, for it may be completed."""
    from_ms, to_ms = came.first_ms, next(reversed(came.rows)) + 1
    if state.last_ms is not None:
        from_ms = state.last_ms + (state.before is None)
    elif "emc_percent" in names:
        from_ms -= TEMPERATURE_AFTER_MS
    samples = samples_between(read, came.sensor.id, names, from_ms, to_ms)
    calm: list[Calm] = []
    first_ms = int(samples.at_ms[0]) if len(samples) else None
    if len(samples) and samples.at_ms[0] == state.last_ms:
        again, _ = judge_planned(state, samples.part(0, 1), memory.plan, came.sensor.offline_after_s, [])
        if again.state is not state.state or step_of(again.worst) != step_of(state.worst):
            return _Sensed(state, [], [], state.last_ms)
        state, samples = again, samples.part(1)
    state, changes = judge_planned(state, samples, memory.plan, came.sensor.offline_after_s, calm)
    return _Sensed(state, changes, calm, first_ms=first_ms)


def _with_calm(kept: tuple[Calm, ...], more: list[Calm]) -> tuple[Calm, ...]:
    spans = (*kept, *more)
    return spans if len(spans) <= CALM_KEPT else thinned(spans)


def _with_job(memory: RoomMemory, job: Plan, now_ms: int) -> RoomMemory:
    """Take over a job whose windows are not those by which the room was judged."""
    heard = [state.last_ms for state in memory.sensors.values() if state.last_ms is not None]
    if not memory.job or not heard:
        return replace(memory, job=job, plan=job)
    # From now on, or from the next reading on where those that come are of long ago (a replay).
    plan = changed(memory.plan, job, min(now_ms, max(heard) + 1))
    window = window_at(plan, max(heard) + 1)
    if window is None:
        return replace(memory, job=job, plan=plan, sensors={}, calm={}, first_ms={}, followed=None)
    sensors = {name: under_new_window(state, window) for name, state in memory.sensors.items()}
    return replace(memory, job=job, plan=plan, sensors=sensors)


def _any_active(memory: RoomMemory) -> bool:
    return any(state.active for state in memory.sensors.values())
