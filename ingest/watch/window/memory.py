"""What the watch remembers of a room between batches, and its JSON form in the store. Versioned.

The form is small (a few hundred bytes a sensor) and holds nothing that cannot be had again: where it is lost, or was
written by another version, the watch starts anew and takes over the incident that is open.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from typing import Any, Final

from ingest.site.incidents import Incident, RoomState
from ingest.site.places import AcclimationWindow
from ingest.store.record.plain import from_plain, to_plain
from ingest.watch.window.judge import EXCESS_PER_HOUR, FALLBACK_MARGINS, SensorState, Why, Worst
from ingest.watch.window.plan import Plan, from_facts, to_facts

VERSION: Final = 2
CALM_KEPT: Final = 48
"""How many calm stretches are remembered of a sensor: places from which late readings can be judged again."""


@dataclass(frozen=True, slots=True)
class SilentSensor:
    """A sensor that is silent.  heard_ms: when it was last reading then (None: never).  incident: the open one."""

    heard_ms: int | None
    incident: Incident


Calm = tuple[int, int]
"""A stretch in which a sensor was within: since when, and the sample that ended it."""

Turn = tuple[int, int, int]
"""The place of a change in the order in which a room's changes are followed: instant, 0 opens or 1 closes, sensor."""


@dataclass(frozen=True, slots=True)
class RoomMemory:
    """What is remembered of one room.

    job: the plan of windows that the job had when last looked at.  plan: the one that readings are judged by, with what
    held before the job was changed.
    calm: per sensor the stretches within that ended, oldest first.  first_ms: per sensor the first instant judged.
    followed: the newest change that the room's incident has followed.
    incident: the room's newest window incident, open or closed, as last written.
    worst, written_step: its worst reading so far, and how many steps (`folding.step_of`) out it was said to be last.
    openings: how often that incident has been opened: 1, and one more each time it was opened again.
    spent: what the excursions of it that are over have summed up to, by sensor and quantity (`SensorState.excess`).
    late: readings older than what had been judged, which were judged again; late_ms: the newest such instant.
    ahead: readings stored and not judged, because they lay ahead of our clock.
    marks: this memory as it was, oldest first (`ingest.watch.window.marks`); they are not in the JSON form.
    """

    job: Plan = ()
    plan: Plan = ()
    sensors: Mapping[str, SensorState] = field(default_factory=dict)
    calm: Mapping[str, tuple[Calm, ...]] = field(default_factory=dict)
    first_ms: Mapping[str, int] = field(default_factory=dict)
    followed: Turn | None = None
    incident: Incident | None = None
    worst: Worst | None = None
    written_step: int = -1
    openings: int = 1
    spent: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    late: int = 0
    late_ms: int | None = None
    ahead: int = 0
    silent: Mapping[str, SilentSensor] = field(default_factory=dict)
    marks: tuple[RoomMemory, ...] = ()


@functools.lru_cache(maxsize=1000)
def window_facts(window: AcclimationWindow | None) -> Mapping[str, Any] | None:
    """Give a window as JSON-able facts (not to be changed), to see whether it was changed."""
    return None if window is None else asdict(window)


def to_json(memory: RoomMemory) -> dict[str, Any]:
    """Give a memory's JSON form."""
    return {
        "version": VERSION,
        "job": to_facts(memory.job),
        "plan": to_facts(memory.plan),
        "sensors": {sensor: state_to_json(state) for sensor, state in memory.sensors.items()},
        "calm": {sensor: [list(span) for span in spans] for sensor, spans in memory.calm.items()},
        "first_ms": dict(memory.first_ms),
        "followed": None if memory.followed is None else list(memory.followed),
        "incident": None if memory.incident is None else incident_to_json(memory.incident),
        "worst": None if memory.worst is None else list(memory.worst),
        "written_step": memory.written_step,
        "openings": memory.openings,
        "spent": {sensor: dict(excess) for sensor, excess in memory.spent.items()},
        "late": memory.late,
        "late_ms": memory.late_ms,
        "ahead": memory.ahead,
        "silent": {
            name: {"heard_ms": silent.heard_ms, "incident": incident_to_json(silent.incident)}
            for name, silent in memory.silent.items()
        },
    }


def from_json(facts: Mapping[str, Any] | None) -> RoomMemory:
    """Give the memory of a JSON form; an empty one for None and for a form that this version does not know."""
    if facts is None or facts.get("version") != VERSION:
        return RoomMemory()
    try:
        return _remembered(facts)
    except (LookupError, TypeError, ValueError, AttributeError):
        # A form is ours to read only as a whole: half a memory would be worse than none.
        return RoomMemory()


def _remembered(facts: Mapping[str, Any]) -> RoomMemory:
    incident, worst, followed = (facts[name] for name in ("incident", "worst", "followed"))
    return RoomMemory(
        job=from_facts(facts["job"]),
        plan=from_facts(facts["plan"]),
        sensors={sensor: state_from_json(state) for sensor, state in facts["sensors"].items()},
        calm={sensor: tuple((since, until) for since, until in spans) for sensor, spans in facts["calm"].items()},
        first_ms={sensor: int(at_ms) for sensor, at_ms in facts["first_ms"].items()},
        followed=None if followed is None else (followed[0], followed[1], followed[2]),
        incident=None if incident is None else incident_from_json(incident),
        worst=None if worst is None else Worst(*worst),
        written_step=facts["written_step"],
        openings=facts["openings"],
        spent=facts.get("spent", {}),
        late=facts["late"],
        late_ms=facts["late_ms"],
        ahead=facts["ahead"],
        silent={
            name: SilentSensor(silent["heard_ms"], incident_from_json(silent["incident"]))
            for name, silent in facts["silent"].items()
        },
    )


def incident_to_json(incident: Incident) -> dict[str, Any]:
    """Give an incident as JSON-able facts."""
    facts: dict[str, Any] = to_plain(incident)
    return facts


def incident_from_json(facts: Mapping[str, Any]) -> Incident:
    """Give the incident of such facts."""
    return from_plain(Incident, facts)


def resumed(incident: Incident) -> SensorState:
    """Give the state of a sensor of which nothing is left but its open incident."""
    worst = None
    if incident.quantity is not None and incident.bound is not None and incident.worst_value is not None:
        at_ms = incident.worst_at_ms if incident.worst_at_ms is not None else incident.opened_ms
        share = abs(incident.worst_value - incident.bound) / FALLBACK_MARGINS.get(incident.quantity, 1.0)
        worst = Worst(incident.quantity, incident.bound, incident.worst_value, at_ms, share)
    return SensorState(
        state=RoomState.OUT_OF_RANGE,
        why=Why.LASTED,
        since_ms=incident.opened_ms,
        began_ms=incident.began_ms,
        opened_ms=incident.opened_ms,
        guilty=() if incident.quantity is None else (incident.quantity,),
        worst=worst,
        excess=_resumed_excess(incident),
    )


def _resumed_excess(incident: Incident) -> dict[str, int]:
    if incident.quantity is None or not incident.excess_hours:
        return {}
    return {incident.quantity: round(incident.excess_hours * EXCESS_PER_HOUR)}


_PLAIN: Final = tuple(f.name for f in fields(SensorState) if f.name.endswith("_ms"))


def state_to_json(state: SensorState) -> dict[str, Any]:
    """Give a sensor's state as JSON-able facts."""
    facts = _bare(state)
    if state.before is not None:
        facts["before"] = _bare(state.before)
    return facts


def _bare(state: SensorState) -> dict[str, Any]:
    """Give the facts of a state but for the state before it."""
    facts: dict[str, Any] = {name: value for name in _PLAIN if (value := getattr(state, name)) is not None}
    facts |= {"state": state.state.value, "why": state.why.name}
    if state.held:
        facts["held"] = {name: list(pair) for name, pair in state.held.items()}
    if state.guilty:
        facts["guilty"] = list(state.guilty)
    if state.worst is not None:
        facts["worst"] = list(state.worst)
    if state.excess:
        facts["excess"] = dict(state.excess)
    return facts


def state_from_json(facts: Mapping[str, Any]) -> SensorState:
    """Give the state of such facts."""
    worst, before = facts.get("worst"), facts.get("before")
    return SensorState(
        state=RoomState(facts["state"]),
        why=Why[facts["why"]],
        held={name: (value, at_ms) for name, (value, at_ms) in facts.get("held", {}).items()},
        guilty=tuple(facts.get("guilty", ())),
        worst=None if worst is None else Worst(*worst),
        before=None if before is None else state_from_json(before),
        excess=dict(facts.get("excess", {})),
        **{name: facts.get(name) for name in _PLAIN},
    )
