"""The rules of the station itself: what keeps the watch from watching. Judged of facts that the runtime gives.

They have no room: their incidents stand under the room "". Each is judged by the time of our clock, a sample a look, by
the same judge as everything else; how they stand is saved when something turns.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final, NamedTuple

from ingest.present.incident_kinds import KINDS
from ingest.site.incidents import Ending, Incident, IncidentKind, RoomState
from ingest.site.places import Bounds, Site
from ingest.site.rules import StationRules
from ingest.store.api import UnitOfWork
from ingest.watch import incident_book
from ingest.watch.reasons import Telling, incident_reason
from ingest.watch.window.excursions import incident_id
from ingest.watch.window.judge import FIGURE, Rule, Sample, SensorState, Worst, after_clock_set_back, judge, narrowed
from ingest.watch.window.memory import state_from_json, state_to_json

STATION: Final = ""
"""The room of what concerns the station: no room has this id."""

GRACE_S: Final = 300.0
"""How long after its start the station is not judged, except for its disk (our choice): adapters need their time."""

NAME: Final = "*station"  # no room can be called so
VERSION: Final = 1
_GAP_MS: Final = 900_000
_MB: Final = 1e6


@dataclass(frozen=True, slots=True)
class AdapterFact:
    """How an adapter fares.  down_s: for how long it has been in trouble without a reading (s), 0 while it is well."""

    name: str
    down_s: float = 0.0


@dataclass(frozen=True, slots=True)
class StationFacts:
    """How the station fares at an instant; None where nothing is known, or it has no such part.

    uptime_s: since the daemon was started (s).  disk_free_bytes: on the disk that holds the readings.
    clock_off_s: by how much the wall clock was found to be off within the last hour (s, without sign): it stepped, or
    stood before readings that it had stamped itself.  clock_unsynchronised_s: for how long the system has said that no
    time server sets the clock.  behind_s: how old the oldest reading is that the central engine lacks.
    """

    uptime_s: float
    adapters: tuple[AdapterFact, ...] = ()
    disk_free_bytes: int | None = None
    clock_off_s: float | None = None
    clock_unsynchronised_s: float | None = None
    behind_s: float | None = None


class Figure(NamedTuple):
    """One figure of the station: of what (an adapter's name, or ""), how much, and for how long by itself (s)."""

    subject: str
    value: float
    lasted_s: float | None = None


@dataclass(frozen=True, slots=True)
class StationEntry:
    """One rule of the station.  setting: its field in `StationRules`.  margin_share: of the limit, back inside."""

    kind: IncidentKind
    setting: str
    quantity: str
    figures: Callable[[StationFacts], Iterator[Figure]]
    above: bool
    margin_share: float
    return_s: float = 0.0
    needs_grace: bool = True

    def bounds(self, rules: StationRules) -> Bounds | None:
        """Give the bounds that a job sets, None where the rule is off."""
        limit: float | None = getattr(rules, self.setting)
        if limit is None:
            return None
        return Bounds(high=limit) if self.above else Bounds(low=limit)

    def rule(self, bounds: Bounds) -> Rule:
        """Give the rule as the judge takes it."""
        margin = self.margin_share * (bounds.high or bounds.low or 1.0)
        narrow = narrowed(bounds, margin)
        return Rule({FIGURE: bounds}, {FIGURE: narrow}, {FIGURE: margin}, 0, round(self.return_s * 1000), _GAP_MS)


def _adapters(facts: StationFacts) -> Iterator[Figure]:
    for adapter in facts.adapters:
        yield Figure(adapter.name, adapter.down_s / 60, adapter.down_s)


def _disk(facts: StationFacts) -> Iterator[Figure]:
    if facts.disk_free_bytes is not None:
        yield Figure("", facts.disk_free_bytes / _MB)


def _clock(facts: StationFacts) -> Iterator[Figure]:
    if facts.clock_off_s is not None:
        yield Figure("", facts.clock_off_s / 60)


def _unsynchronised(facts: StationFacts) -> Iterator[Figure]:
    if facts.clock_unsynchronised_s is not None:
        yield Figure("", facts.clock_unsynchronised_s / 3600, facts.clock_unsynchronised_s)


def _behind(facts: StationFacts) -> Iterator[Figure]:
    if facts.behind_s is not None:
        yield Figure("", facts.behind_s / 3600, facts.behind_s)


_KIND: Final = IncidentKind

STATIONBOOK: Final = (
    StationEntry(_KIND.ADAPTER, "adapter_down_minutes", "adapter_down_minutes", _adapters, above=True,
                 margin_share=0.5),
    StationEntry(_KIND.DISK, "disk_free_mb", "disk_free_mb", _disk, above=False, margin_share=0.2, return_s=600,
                 needs_grace=False),
    StationEntry(_KIND.CLOCK, "clock_off_minutes", "clock_off_minutes", _clock, above=True, margin_share=0.5,
                 needs_grace=False),
    StationEntry(_KIND.CLOCK, "clock_unsynchronised_hours", "clock_unsynchronised_hours", _unsynchronised, above=True,
                 margin_share=0.5),
    StationEntry(_KIND.FORWARDING, "behind_hours", "behind_hours", _behind, above=True, margin_share=0.5),
)  # fmt: skip
"""Every rule of the station."""


@dataclass(frozen=True, slots=True)
class Stood:
    """How a rule of the station stands.  incident: the one that is open, or None."""

    bounds: Bounds
    state: SensorState = field(default_factory=SensorState)
    incident: Incident | None = None


class StationWatch:
    """The rules of the station over one store. For one thread at a time, the one that writes."""

    def __init__(self) -> None:
        self._worst: dict[str, tuple[int | None, Worst]] = {}  # per rule, since when outside: not saved each time

    def judge(self, work: UnitOfWork, site: Site, facts: StationFacts, *, now_ms: int) -> list[Incident]:
        """Judge the facts of this instant; to be called every minute or so. Gives what opened or closed."""
        was = _recalled(work)
        now: dict[str, Stood] = {}
        told: list[Incident] = []
        for key, entry, figure, bounds in _applying(site.rules, facts):
            stood = self._with_worst(key, replace(was.get(key, Stood(bounds)), bounds=bounds))
            now[key] = self._judged(work, site, entry, figure, stood, now_ms, told)
            state = now[key].state
            if state.worst is not None:
                self._worst[key] = state.began_ms, state.worst
        for key, stood in was.items():
            if key in now:
                continue
            if stood.incident is not None and _is_watched(key, site.rules, facts):
                now[key] = stood  # nothing is known of it at present: it stays as it is
            elif stood.incident is not None:
                closed = replace(stood.incident, closed_ms=max(now_ms, stood.incident.opened_ms), ending=Ending.NO_RULE)
                told.append(_put(work, site, closed, now_ms))
        if _turned(was, now):
            work.save_judgement(NAME, _to_json(now))
        # As they stand now: one that was written after another may have given that a cause to share.
        return [work.read.incident(one.id) or one for one in told]

    def _with_worst(self, key: str, stood: Stood) -> Stood:
        """Give how a rule stands with the worst that was seen since it was saved."""
        began_ms, worst = self._worst.get(key, (None, None))
        if worst is None or not stood.state.active or stood.state.began_ms != began_ms:
            return stood
        return replace(stood, state=replace(stood.state, worst=worst))

    def _judged(  # noqa: PLR0917
        self,
        work: UnitOfWork,
        site: Site,
        entry: StationEntry,
        figure: Figure,
        stood: Stood,
        now_ms: int,
        told: list[Incident],
    ) -> Stood:
        state = stood.state
        if state.last_ms is not None and state.last_ms > now_ms:
            state = after_clock_set_back(state)
        after, _ = judge(state, Sample(now_ms, figure=figure.value), entry.rule(stood.bounds))
        incident = stood.incident
        if after.active and incident is None:
            incident = _opened(entry, figure, now_ms)
            incident = _put(work, site, _with_worst(incident, entry, after), now_ms)
            told.append(incident)
        elif incident is not None and not after.active:
            last = _with_worst(incident, entry, state)
            told.append(_put(work, site, replace(last, closed_ms=max(now_ms, incident.opened_ms)), now_ms))
            incident = None
        elif incident is not None and _is_much_worse(incident, after):
            incident = _put(work, site, _with_worst(incident, entry, after), now_ms)
        return Stood(stood.bounds, replace(after, before=None), incident)


def _applying(rules: StationRules, facts: StationFacts) -> Iterator[tuple[str, StationEntry, Figure, Bounds]]:
    for entry in STATIONBOOK:
        bounds = entry.bounds(rules)
        if bounds is None or (entry.needs_grace and facts.uptime_s < GRACE_S):
            continue
        for figure in entry.figures(facts):
            yield f"{entry.quantity} {figure.subject}", entry, figure, bounds


def _is_watched(key: str, rules: StationRules, facts: StationFacts) -> bool:
    """Tell whether a rule is on, and its subject still there, though nothing is known of it at this instant."""
    quantity, _, subject = key.partition(" ")
    entry = next((entry for entry in STATIONBOOK if entry.quantity == quantity), None)
    if entry is None or entry.bounds(rules) is None:
        return False
    return entry.kind is not IncidentKind.ADAPTER or any(adapter.name == subject for adapter in facts.adapters)


def _opened(entry: StationEntry, figure: Figure, now_ms: int) -> Incident:
    began_ms = now_ms - round((figure.lasted_s or 0.0) * 1000)
    identity = incident_id("station", entry.kind, now_ms, f"{figure.subject} {entry.quantity}".strip())
    severity = KINDS[entry.kind].begins
    return Incident(identity, STATION, figure.subject, entry.kind, began_ms, now_ms, reason="", severity=severity)


def _with_worst(incident: Incident, entry: StationEntry, state: SensorState) -> Incident:
    worst = state.worst
    if worst is None:
        return incident
    return replace(
        incident, quantity=entry.quantity, bound=worst.bound, worst_value=worst.value, worst_at_ms=worst.at_ms
    )


def _is_much_worse(incident: Incident, state: SensorState) -> bool:
    """Tell whether it lies twice as far outside as was put down: an adapter down for weeks must not fill the record."""
    if incident.worst_value is None or incident.bound is None or state.worst is None:
        return state.worst is not None
    return abs(state.worst.value - incident.bound) >= 2 * abs(incident.worst_value - incident.bound)


def _put(work: UnitOfWork, site: Site, incident: Incident, now_ms: int) -> Incident:
    incident = replace(incident, reason=incident_reason(incident, incident.sensor, Telling(site.time_zone)))
    return incident_book.write(work, site, [incident], now_ms=now_ms)[incident.id]


def _turned(was: Mapping[str, Stood], now: Mapping[str, Stood]) -> bool:
    """Tell whether anything must be saved: while all is well, nothing."""

    def matter(stood: Mapping[str, Stood]) -> dict[str, Any]:
        return {key: (one.state.state, one.incident) for key, one in stood.items() if _matters(one)}

    return matter(was) != matter(now)


def _matters(stood: Stood) -> bool:
    return stood.incident is not None or stood.state.state not in {RoomState.IN_RANGE, RoomState.UNKNOWN}


def _recalled(work: UnitOfWork) -> dict[str, Stood]:
    facts = work.read.judgement(NAME)
    if facts is None or facts.get("version") != VERSION:
        return _taken_over(work)
    try:
        return {key: _stood(work, one) for key, one in facts["rules"].items()}
    except (LookupError, TypeError, ValueError, AttributeError):
        return _taken_over(work)


def _taken_over(work: UnitOfWork) -> dict[str, Stood]:
    """Take over the open incidents of the station where nothing else is remembered."""
    found: dict[str, Stood] = {}
    for incident in work.read.incidents(room=STATION, only_open=True):
        if incident.quantity is not None and incident.bound is not None:
            is_low = incident.kind is IncidentKind.DISK
            bounds = Bounds(low=incident.bound) if is_low else Bounds(high=incident.bound)
            state = SensorState(state=RoomState.OUT_OF_RANGE, since_ms=incident.opened_ms, began_ms=incident.began_ms)
            found[f"{incident.quantity} {incident.sensor}"] = Stood(bounds, state, incident)
    return found


def _stood(work: UnitOfWork, facts: Mapping[str, Any]) -> Stood:
    incident = None if facts["incident"] is None else work.read.incident(facts["incident"])
    return Stood(Bounds(*facts["bounds"]), state_from_json(facts["state"]), incident)


def _to_json(stood: Mapping[str, Stood]) -> dict[str, Any]:
    rules = {
        key: {
            "bounds": [one.bounds.low, one.bounds.high],
            "state": state_to_json(one.state),
            "incident": None if one.incident is None else one.incident.id,
        }
        for key, one in stood.items()
        if _matters(one)
    }
    return {"version": VERSION, "rules": rules}
