"""How one rule stands for one sensor, and its JSON form in the store: small, and had again from the readings."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final, NamedTuple

from ingest.site.incidents import Incident, RoomState
from ingest.site.places import Bounds
from ingest.watch.rules.marches import Mark
from ingest.watch.window.judge import SensorState, Why
from ingest.watch.window.memory import Calm, state_from_json, state_to_json
from ingest.watch.window.plan import EVER_MS

VERSION: Final = 2
CALM_KEPT: Final = 12
"""How many calm stretches are remembered: places from which late readings can be judged again."""


class Anchor(NamedTuple):
    """Where the present limits took over: what lies before is not judged again by them."""

    at_ms: int = EVER_MS
    state: SensorState = SensorState()
    incident: Incident | None = None


@dataclass(frozen=True, slots=True)
class Standing:
    """How a rule stands for a sensor.

    bounds: by which limits.  through_ms: judged through this instant.  looked_ms: when that was (our clock; not saved).
    calm: stretches within that ended, oldest first.  first_ms: the first figure judged.  marks: of a march.
    """

    bounds: Bounds
    through_ms: int = EVER_MS
    looked_ms: int = EVER_MS
    state: SensorState = field(default_factory=SensorState)
    incident: Incident | None = None
    calm: tuple[Calm, ...] = ()
    first_ms: int | None = None
    anchor: Anchor = field(default_factory=Anchor)
    marks: tuple[Mark, ...] = ()

    @property
    def open_incident(self) -> Incident | None:
        """The incident that is going on."""
        return self.incident if self.incident is not None and self.incident.is_open else None

    def under(self, bounds: Bounds) -> Standing:
        """Give it under other limits, which hold from now on."""
        state = replace(self.state, before=None)
        anchor = Anchor(self.through_ms, state, self.open_incident)
        return replace(self, bounds=bounds, state=state, anchor=anchor, calm=(), first_ms=None)

    def taken_up(self, from_ms: int) -> tuple[int, SensorState, Incident | None]:
        """Give where to judge again what has changed at `from_ms`: an instant, the state just before it, what is open.

        The newest place at or before it at which the rule is known to have been within; else where its limits took
        over, or the beginning.
        """
        calm = next((span for span in reversed((*self.calm, *self._now_within(from_ms))) if span[0] < from_ms), None)
        if calm is not None:
            at_ms = min(from_ms, calm[1])
            return at_ms, SensorState(RoomState.IN_RANGE, Why.INSIDE, since_ms=calm[0], last_ms=at_ms - 1), None
        if self.anchor.at_ms > EVER_MS:
            return self.anchor.at_ms + 1, self.anchor.state, self.anchor.incident
        return min(from_ms, from_ms if self.first_ms is None else self.first_ms), SensorState(), None

    def _now_within(self, from_ms: int) -> tuple[Calm, ...]:
        if self.state.state is not RoomState.IN_RANGE or self.state.since_ms is None:
            return ()
        return ((self.state.since_ms, from_ms),)


def to_json(standings: Mapping[str, Standing]) -> dict[str, Any]:
    """Give the JSON form of how a room's rules stand."""
    return {"version": VERSION, "rules": {key: _facts(one) for key, one in standings.items()}}


def from_json(
    facts: Mapping[str, Any] | None, known: Callable[[str], bool], incident: Callable[[str], Incident | None]
) -> dict[str, Standing]:
    """Give how the rules stood; nothing for a form that is not known.

    known: tells which keys there are rules for.  incident: gives an incident by its id.
    """
    if facts is None or facts.get("version") != VERSION:
        return {}
    try:
        return {key: _standing(one, incident) for key, one in facts["rules"].items() if known(key)}
    except (LookupError, TypeError, ValueError, AttributeError):
        # A form is ours to read only as a whole: half a memory would be worse than none.
        return {}


def _facts(one: Standing) -> dict[str, Any]:
    facts: dict[str, Any] = {
        "bounds": [one.bounds.low, one.bounds.high],
        "through_ms": one.through_ms,
        "state": _state(one.state),
        "incident": None if one.incident is None else one.incident.id,
        "calm": [list(span) for span in one.calm],
        "first_ms": one.first_ms,
        "marks": [[mark.at_ms, mark.of, list(mark.state)] for mark in one.marks],
    }
    if one.anchor.at_ms > EVER_MS:
        open_then = None if one.anchor.incident is None else one.anchor.incident.id
        facts["anchor"] = [one.anchor.at_ms, _state(one.anchor.state), open_then]
    return {name: value for name, value in facts.items() if value not in (None, [])}


def _state(state: SensorState) -> dict[str, Any]:
    # An instant is never judged twice here, and a figure never waits for another: neither needs remembering.
    return state_to_json(replace(state, before=None, held={}))


def _standing(facts: Mapping[str, Any], incident: Callable[[str], Incident | None]) -> Standing:
    anchor = facts.get("anchor")
    return Standing(
        bounds=Bounds(*facts["bounds"]),
        through_ms=int(facts["through_ms"]),
        state=state_from_json(facts["state"]),
        incident=incident(facts["incident"]) if "incident" in facts else None,
        calm=tuple((since, until) for since, until in facts.get("calm", ())),
        first_ms=facts.get("first_ms"),
        anchor=Anchor()
        if anchor is None
        else Anchor(anchor[0], state_from_json(anchor[1]), None if anchor[2] is None else incident(anchor[2])),
        marks=tuple(Mark(at_ms, of, tuple(state)) for at_ms, of, state in facts.get("marks", ())),
    )
