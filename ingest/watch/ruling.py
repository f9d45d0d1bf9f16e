"""The rounds of the rules beside the window: each judged in event time on what the store has, from where it stood.

What comes late is judged by these rules only as far as it lies after what they have judged already.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

from ingest.site.incidents import Incident
from ingest.site.places import Bounds, Place, Room, Sensor, Site
from ingest.store.api import UnitOfWork
from ingest.watch import lives
from ingest.watch.excursions import incident_id
from ingest.watch.figures import Air
from ingest.watch.folding import Change, Samples, judge_series
from ingest.watch.judge import FIGURE, SensorState, Worst, after_clock_set_back
from ingest.watch.memory import incident_from_json, incident_to_json, state_from_json, state_to_json
from ingest.watch.plan import room_window
from ingest.watch.reasons import NO_RULE, Telling, incident_reason, sensor_name
from ingest.watch.rulebook import BY_KEY, RULEBOOK, Entry
from ingest.watch.severity import Weight, hours, weighed

VERSION: Final = 1
FIRST_REACH_MS: Final = 86_400_000
"""How far back a rule looks when it judges for the first time (a day)."""


@dataclass(frozen=True, slots=True)
class Standing:
    """How one rule stands for one sensor.  looked_ms: when it was last judged (our clock).  bounds: by which limits."""

    looked_ms: int
    bounds: Bounds
    state: SensorState = field(default_factory=SensorState)
    incident: Incident | None = None


def judge_rules(work: UnitOfWork, site: Site, *, now_ms: int) -> list[Incident]:
    """Judge every rule that is due, for every sensor it applies to; write what changed.

    now_ms: our clock, UTC. To be called every minute or so. Gives the incidents that opened or closed.
    """
    told: dict[str, Incident] = {}
    changed: dict[str, Incident] = {}
    for room in site.rooms:
        name = f"{room.id}/rules"  # no room can be called so
        was = _from_json(work.read.judgement(name))
        ruling = _Ruling(work, site, room, now_ms)
        now = ruling.judged(was)
        if now != was:
            work.save_judgement(name, _to_json(now))
        changed |= ruling.written
        told |= ruling.told
    written = lives.write(work, site, changed.values(), now_ms=now_ms) if changed else {}
    return lives.as_written(told, written)


class _Ruling:
    def __init__(self, work: UnitOfWork, site: Site, room: Room, now_ms: int) -> None:
        self.told: dict[str, Incident] = {}
        self.written: dict[str, Incident] = {}
        self._site, self._room, self._now_ms = site, room, now_ms
        window = room_window(room, site.time_zone, now_ms)
        self._air = Air(work.read, site.sensors_of(room.id, Place.AIR), window)

    def judged(self, was: Mapping[str, Standing]) -> dict[str, Standing]:
        """Judge what is due; give how all rules stand."""
        now: dict[str, Standing] = {}
        for key, entry, sensor, bounds in self._applying():
            now[key] = self._due(entry, sensor, bounds, was.get(key))
        for key, standing in was.items():
            if key not in now and standing.incident is not None and standing.incident.is_open:
                closed_ms = max(self._now_ms, standing.incident.opened_ms)
                self._put(replace(standing.incident, closed_ms=closed_ms, reason=NO_RULE), told=True)
        return now

    def _applying(self) -> Iterator[tuple[str, Entry, Sensor, Bounds]]:
        for entry in RULEBOOK:
            bounds = entry.bounds(self._room.rules)
            if bounds is None:
                continue
            for sensor in self._site.sensors_of(self._room.id):
                if sensor.place in entry.places:
                    yield f"{entry.quantity} {sensor.id}", entry, sensor, bounds

    def _due(self, entry: Entry, sensor: Sensor, bounds: Bounds, was: Standing | None) -> Standing:
        if was is None:
            was = Standing(self._now_ms - FIRST_REACH_MS, bounds)
        elif 0 <= self._now_ms - was.looked_ms < entry.every_s * 1000:
            return was
        if was.bounds != bounds:
            was = replace(was, bounds=bounds, state=replace(was.state, before=None))
        if was.state.last_ms is not None and was.state.last_ms > self._now_ms:
            was = replace(was, state=after_clock_set_back(was.state))
        from_ms = was.looked_ms if was.state.last_ms is None else was.state.last_ms + 1
        figures = entry.figure(self._air, sensor, min(from_ms, self._now_ms), self._now_ms + 1)
        samples = Samples(figures.at_ms, {FIGURE: figures.value})
        state, changes = judge_series(was.state, samples, entry.rule(bounds))
        standing = replace(was, looked_ms=self._now_ms, state=state)
        for change in changes:
            standing = replace(standing, incident=self._followed(entry, sensor, standing.incident, change))
        if standing.incident is not None and standing.incident.is_open:
            grown = self._weighed(standing.incident, state)
            if grown != standing.incident:
                standing = replace(standing, incident=self._put(grown, told=False))
        return standing

    def _weighed(self, incident: Incident, state: SensorState) -> Incident:
        """Give an incident with how bad it is, by a state in which it still was."""
        excess_hours = hours(state.excess.get(FIGURE, 0))
        share = 0.0 if state.worst is None else state.worst.share
        return weighed(incident, excess_hours, Weight(share, excess_hours), self._room.rules)

    def _followed(self, entry: Entry, sensor: Sensor, incident: Incident | None, change: Change) -> Incident:
        after = change.after
        if incident is None or not incident.is_open:
            opened_ms = after.opened_ms or change.at_ms
            identity = incident_id(self._room.id, entry.kind, opened_ms, f"{sensor.id} {entry.quantity}")
            began_ms = after.began_ms or opened_ms
            incident = Incident(identity, self._room.id, sensor.id, entry.kind, began_ms, opened_ms, reason="")
            return self._put(_with_worst(incident, entry, after.worst), told=True)
        if after.active:
            return self._put(_with_worst(incident, entry, after.worst), told=False)
        worse = _with_worst(incident, entry, change.before.worst)
        over = replace(worse, closed_ms=max(change.at_ms, incident.opened_ms), reason="")
        return self._put(self._weighed(over, change.before), told=True)

    def _put(self, incident: Incident, *, told: bool) -> Incident:
        name = sensor_name(self._site.sensor(incident.sensor), incident.sensor)
        incident = replace(incident, reason=incident_reason(incident, name, Telling(self._site.time_zone)))
        self.written[incident.id] = incident
        if told or incident.id in self.told:
            self.told[incident.id] = incident
        return incident


def _with_worst(incident: Incident, entry: Entry, worst: Worst | None) -> Incident:
    if worst is None:
        return incident
    return replace(
        incident, quantity=entry.quantity, bound=worst.bound, worst_value=worst.value, worst_at_ms=worst.at_ms
    )


def _to_json(standings: Mapping[str, Standing]) -> dict[str, Any]:
    return {
        "version": VERSION,
        "rules": {
            key: {
                "looked_ms": one.looked_ms,
                "bounds": [one.bounds.low, one.bounds.high],
                "state": state_to_json(one.state),
                "incident": None if one.incident is None else incident_to_json(one.incident),
            }
            for key, one in standings.items()
        },
    }


def _from_json(facts: Mapping[str, Any] | None) -> dict[str, Standing]:
    """Give how the rules stood; nothing for a form that is not known."""
    if facts is None or facts.get("version") != VERSION:
        return {}
    try:
        return {key: _standing(one) for key, one in facts["rules"].items() if key.partition(" ")[0] in BY_KEY}
    except (LookupError, TypeError, ValueError, AttributeError):
        return {}


def _standing(facts: Mapping[str, Any]) -> Standing:
    incident = facts["incident"]
    return Standing(
        looked_ms=int(facts["looked_ms"]),
        bounds=Bounds(*facts["bounds"]),
        state=state_from_json(facts["state"]),
        incident=None if incident is None else incident_from_json(incident),
    )
