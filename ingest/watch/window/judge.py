"""Judging one air sensor against its room's window, in event time. Pure: no clock, no store.

A sensor is *in range*, *leaving range*, *out of range*, *recovering* or *unknown*; each sample gives a verdict, and
`STEPS` says what the verdict makes of the state::

    unknown ──outside──> leaving range ──outside for dwell_s──> out of range ──inside by the margin──> recovering
       │                    │                               ^                               │  │
       └──inside──> within <┘ inside                        └───────────outside─────────────┘  │
                      ^──────────────────inside by the margin for return_dwell_s───────────────┘

Three choices, made here and nowhere else:

* Hysteresis. Coming back takes the margin, leaving again takes the bound itself: a returning sensor that wavers between
  the two is still returning, and closes at the first reading inside by the margin once the time is up. Margins are
  clipped to a quarter of the window's width, so that a narrow window can be returned to.
* Gaps count as nothing. Where nothing covered the state for longer than the sensor's silent time, leaving range and
  returning start anew with the next reading; an open incident stays open.
* A sample may lack a quantity (temperature and RH sent at different instants). What is missing is taken as last reading
  while that is fresh, but only ever to withhold a step: being outside needs a reading that is outside.

A sample at the instant judged last (its other half, or an amendment) is judged again from the state before it; so the
outcome does not depend on how readings were cut into batches. Whole series are judged by
`ingest.watch.window.folding`, which gives the same much faster; what comes late is judged again by
`ingest.watch.window.rejudging`.
"""

from __future__ import annotations

import enum
import functools
import math
import operator
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any, Final, NamedTuple

from ingest.site.incidents import RoomState
from ingest.site.places import JUDGED_QUANTITIES, AcclimationWindow, Bounds


class Verdict(enum.Enum):
    """What one sample says about the window."""

    OUTSIDE = "outside"  # beyond a bound
    BARELY = "barely inside"  # inside, not by the margin
    INSIDE = "inside"  # inside by the margin
    UNSURE = "unsure"  # says nothing against the state, and not enough for it


class Why(enum.Enum):
    """Why a sensor is in its state: a closed list, in words."""

    NOTHING_YET = "nothing was judged yet"
    INSIDE = "inside its window"
    LEFT = "outside, not yet for the dwell time"
    CAME_BACK = "back inside before the dwell time was up"
    LASTED = "outside for the dwell time without a break"
    STILL_OUT = "not yet back inside by the margin"
    RETURNED = "back inside by the margin, not yet for the return time"
    LEFT_AGAIN = "outside again before the return time was up"
    STAYED = "inside for the return time"
    GAP = "there are no readings for too long; the time starts anew"
    NEW_WINDOW = "the window was changed; judged anew from the next reading"
    CLOCK_WAS_WRONG = "the clock was set back; judged anew from the next reading"


_S, _V = RoomState, Verdict
STEPS: Final[Mapping[tuple[RoomState, Verdict], tuple[RoomState, Why]]] = {
    (_S.UNKNOWN, _V.OUTSIDE): (_S.LEAVING_RANGE, Why.LEFT),
    (_S.UNKNOWN, _V.BARELY): (_S.IN_RANGE, Why.INSIDE),
    (_S.UNKNOWN, _V.INSIDE): (_S.IN_RANGE, Why.INSIDE),
    (_S.UNKNOWN, _V.UNSURE): (_S.UNKNOWN, Why.NOTHING_YET),
    (_S.IN_RANGE, _V.OUTSIDE): (_S.LEAVING_RANGE, Why.LEFT),
    (_S.IN_RANGE, _V.BARELY): (_S.IN_RANGE, Why.INSIDE),
    (_S.IN_RANGE, _V.INSIDE): (_S.IN_RANGE, Why.INSIDE),
    (_S.IN_RANGE, _V.UNSURE): (_S.IN_RANGE, Why.INSIDE),
    (_S.LEAVING_RANGE, _V.OUTSIDE): (_S.LEAVING_RANGE, Why.LEFT),  # out once dwell_s is fulfilled
    (_S.LEAVING_RANGE, _V.BARELY): (_S.IN_RANGE, Why.CAME_BACK),
    (_S.LEAVING_RANGE, _V.INSIDE): (_S.IN_RANGE, Why.CAME_BACK),
    (_S.LEAVING_RANGE, _V.UNSURE): (_S.LEAVING_RANGE, Why.LEFT),
    (_S.OUT_OF_RANGE, _V.OUTSIDE): (_S.OUT_OF_RANGE, Why.LASTED),
    (_S.OUT_OF_RANGE, _V.BARELY): (_S.OUT_OF_RANGE, Why.STILL_OUT),
    (_S.OUT_OF_RANGE, _V.INSIDE): (_S.RECOVERING, Why.RETURNED),
    (_S.OUT_OF_RANGE, _V.UNSURE): (_S.OUT_OF_RANGE, Why.STILL_OUT),
    (_S.RECOVERING, _V.OUTSIDE): (_S.OUT_OF_RANGE, Why.LEFT_AGAIN),
    (_S.RECOVERING, _V.BARELY): (_S.RECOVERING, Why.RETURNED),
    (_S.RECOVERING, _V.INSIDE): (_S.RECOVERING, Why.RETURNED),  # within once return_dwell_s is fulfilled
    (_S.RECOVERING, _V.UNSURE): (_S.RECOVERING, Why.RETURNED),
}
"""What a verdict makes of a state, before the dwell times are looked at."""

BROKEN_BY_GAP: Final[Mapping[RoomState, RoomState]] = {_S.LEAVING_RANGE: _S.UNKNOWN, _S.RECOVERING: _S.OUT_OF_RANGE}
"""Where a gap puts a state that lives on continuity; the others stay."""

FIGURE: Final = "figure"
"""The name under which the figure of a rule beside the window is judged."""

ORDER: Final = (*JUDGED_QUANTITIES, FIGURE)

ACTIVE: Final = frozenset({RoomState.OUT_OF_RANGE, RoomState.RECOVERING})
"""The states in which an incident is open."""

COUNTING: Final = ACTIVE | {RoomState.LEAVING_RANGE}
"""The states in which it is summed up how far outside the air is for how long."""

EXCESS_PER_UNIT: Final = 1000
EXCESS_PER_HOUR: Final = 2 * EXCESS_PER_UNIT * 3_600_000
"""An excess is summed up in thousandths of the unit times milliseconds, twice (the trapezium's half is left out)."""

NARROWEST_SHARE: Final = 0.25
"""The largest part of a window's width that a margin may take on either side."""

FALLBACK_MARGINS: Final[Mapping[str, float]] = AcclimationWindow().margins()
"""By these an excess is weighed where a window's own margin is nought."""


class Sample(NamedTuple):
    """The air at an instant (UTC ms); None or NaN where a quantity was not measured then."""

    at_ms: int
    temperature_c: float | None = None
    rh_percent: float | None = None
    emc_percent: float | None = None
    figure: float | None = None  # what a rule beside the window bounds


class Worst(NamedTuple):
    """The reading furthest outside.  share: how far beyond the bound, in margins of that quantity."""

    quantity: str
    bound: float
    value: float
    at_ms: int
    share: float


@dataclass(frozen=True, slots=True)
class SensorState:
    """What must be remembered of one sensor. All instants UTC ms, event time.

    since_ms: since when in `state`.  last_ms: the last instant judged.  held: per quantity its last value and instant.
    evidence_ms: when a reading last covered the state.  began_ms: the first reading outside.  opened_ms: the
    reading at which the dwell time was fulfilled.  returned_ms: the reading that came back inside by the margin.
    guilty: the quantities that were outside since `began_ms`.  before: the state before `last_ms`.
    excess: how far outside times how long since `began_ms`, by quantity, in whole `EXCESS_PER_HOUR`ths of its unit
    times hours, so that the sum is the same in whatever pieces it is taken.
    """

    state: RoomState = RoomState.UNKNOWN
    why: Why = Why.NOTHING_YET
    since_ms: int | None = None
    last_ms: int | None = None
    held: Mapping[str, tuple[float, int]] = field(default_factory=dict)
    evidence_ms: int | None = None
    began_ms: int | None = None
    opened_ms: int | None = None
    returned_ms: int | None = None
    guilty: tuple[str, ...] = ()
    worst: Worst | None = None
    before: SensorState | None = None
    excess: Mapping[str, int] = field(default_factory=dict)

    @property
    def active(self) -> bool:
        """Whether an incident is open for this sensor."""
        # Asked of every sensor with every batch: by identity, since to hash an enum's member takes five times as long.
        return self.state is RoomState.OUT_OF_RANGE or self.state is RoomState.RECOVERING


@dataclass(frozen=True, slots=True)
class Rule:
    """A window made ready for judging one sensor: bounds, bounds drawn in by the margins, weights, times in ms."""

    bounds: Mapping[str, Bounds]
    narrowed: Mapping[str, Bounds]
    weights: Mapping[str, float]
    dwell_ms: int
    return_ms: int
    silent_ms: int

    @staticmethod
    @functools.lru_cache(maxsize=1000)
    def of(window: AcclimationWindow, offline_after_s: float) -> Rule:
        """Make the rule for a sensor that counts as silent after `offline_after_s` (s)."""
        bounds, margins = window.bounds(), window.margins()
        return Rule(
            bounds=bounds,
            narrowed={name: narrowed(bound, margins[name]) for name, bound in bounds.items()},
            weights={name: margins[name] if margins[name] > 0 else FALLBACK_MARGINS[name] for name in bounds},
            dwell_ms=round(window.dwell_s * 1000),
            return_ms=round(window.return_dwell_s * 1000),
            silent_ms=round(offline_after_s * 1000),
        )


def narrowed(bounds: Bounds, margin: float) -> Bounds:
    """Give bounds drawn in by the margin, or by a quarter of their width where the margin is more than that."""
    if bounds.low is not None and bounds.high is not None:
        margin = min(margin, (bounds.high - bounds.low) * NARROWEST_SHARE)
    return bounds.narrowed(max(margin, 0.0)) or bounds


_FIELDS: Final = {one.name: place for place, one in enumerate(fields(SensorState))}
_VALUES: Final = operator.attrgetter(*_FIELDS)


def _with(state: SensorState, /, **changed: Any) -> SensorState:
    """Give a state with some fields changed: `dataclasses.replace` in half its time, which live judging is made of."""
    values = list(_VALUES(state))
    for name, value in changed.items():
        values[_FIELDS[name]] = value
    return SensorState(*values)


def judge(state: SensorState, sample: Sample, rule: Rule) -> tuple[SensorState, Why]:
    """Judge one sample and give the new state with its reason.

    Raises ValueError for a sample older than the last one judged: late readings are for whoever re-judges.
    """
    if state.last_ms is not None and sample.at_ms < state.last_ms:
        raise ValueError(f"the sample of {sample.at_ms} is older than what was judged at {state.last_ms}")
    again = sample.at_ms == state.last_ms and state.before is not None
    base = state.before if again and state.before is not None else state
    after = _with(_judged(base, sample, rule), before=_with(base, before=None))
    return after, after.why


def under_new_window(state: SensorState, window: AcclimationWindow) -> SensorState:
    """Carry a state over to a changed window: an open incident stays open, all continuity starts anew."""
    fallen = _with(state, state=BROKEN_BY_GAP.get(state.state, state.state), why=Why.NEW_WINDOW, before=None)
    guilty = tuple(name for name in state.guilty if name in window.bounds())
    return _with(fallen, evidence_ms=None, returned_ms=None, guilty=guilty if fallen.active else ())


def after_clock_set_back(state: SensorState) -> SensorState:
    """Carry a state over a wall clock that had been ahead: what was judged then orders nothing any more."""
    fallen = _with(state, state=BROKEN_BY_GAP.get(state.state, state.state), why=Why.CLOCK_WAS_WRONG, before=None)
    return _with(fallen, last_ms=None, held={}, evidence_ms=None, returned_ms=None)


def _judged(base: SensorState, sample: Sample, rule: Rule) -> SensorState:
    fresh = _fresh(sample, rule)
    held = {**base.held, **{name: (value, sample.at_ms) for name, value in fresh.items()}}
    if not fresh:
        return _with(base, last_ms=sample.at_ms)
    verdict = _verdict(base, sample.at_ms, fresh, held, rule)
    gap = base.evidence_ms is not None and sample.at_ms - base.evidence_ms > rule.silent_ms
    start = BROKEN_BY_GAP.get(base.state, base.state) if gap else base.state
    state, why = STEPS[start, verdict]
    if gap and start is not base.state and state is not RoomState.IN_RANGE:
        why = Why.GAP
    excess = _grown(base, sample.at_ms, fresh, rule) if start in COUNTING else base.excess
    moved = _with(base, state=state, why=why, last_ms=sample.at_ms, held=held, excess=excess)
    if state is not base.state or start is not base.state:
        moved = _entered(moved, start, sample.at_ms)
    if verdict is Verdict.OUTSIDE:
        moved = _with_excess(moved, sample.at_ms, fresh, rule)
    elif verdict is not Verdict.UNSURE and state is RoomState.RECOVERING:
        moved = _with(moved, evidence_ms=sample.at_ms)
    return _fulfilled(moved, verdict, rule)


def _fresh(sample: Sample, rule: Rule) -> dict[str, float]:
    values = {name: getattr(sample, name) for name in rule.bounds}
    return {name: float(value) for name, value in values.items() if value is not None and math.isfinite(value)}


def _verdict(
    base: SensorState, at_ms: int, fresh: dict[str, float], held: Mapping[str, tuple[float, int]], rule: Rule
) -> Verdict:
    if any(rule.bounds[name].excess(value) for name, value in fresh.items()):
        return Verdict.OUTSIDE
    known = {n: v for n, (v, heard_ms) in held.items() if n in rule.bounds and at_ms - heard_ms <= rule.silent_ms}
    if any(rule.bounds[name].excess(value) for name, value in known.items()):
        return Verdict.UNSURE
    if base.active and any(name not in known for name in base.guilty):
        return Verdict.UNSURE
    by_the_margin = not any(rule.narrowed[name].excess(value) for name, value in known.items())
    return Verdict.INSIDE if by_the_margin else Verdict.BARELY


def _entered(moved: SensorState, start: RoomState, at_ms: int) -> SensorState:
    """Set what entering a state sets; `start` is the state that was left, after a gap had its say."""
    moved = _with(moved, since_ms=at_ms, evidence_ms=at_ms)
    if moved.state is RoomState.LEAVING_RANGE:
        return _with(moved, began_ms=at_ms, opened_ms=None, guilty=(), worst=None, excess={})
    if moved.state is RoomState.RECOVERING:
        return _with(moved, returned_ms=at_ms)
    if moved.state is RoomState.OUT_OF_RANGE:
        return _with(moved, returned_ms=None)
    fallen = _with(moved, evidence_ms=None, began_ms=None, opened_ms=None, returned_ms=None)
    return _with(fallen, guilty=(), worst=None, excess={})


def _with_excess(moved: SensorState, at_ms: int, fresh: dict[str, float], rule: Rule) -> SensorState:
    outside = [worst for name, value in fresh.items() if (worst := _excess(name, value, at_ms, rule)) is not None]
    furthest = max(outside, key=lambda worst: worst.share)
    if moved.worst is not None and moved.worst.share >= furthest.share:
        furthest = moved.worst
    names = {*moved.guilty, *(worst.quantity for worst in outside)}
    guilty = tuple(name for name in ORDER if name in names)
    return _with(moved, evidence_ms=at_ms, guilty=guilty, worst=furthest)


def _excess(name: str, value: float, at_ms: int, rule: Rule) -> Worst | None:
    bounds = rule.bounds[name]
    excess = bounds.excess(value)
    bound = bounds.low if excess < 0 else bounds.high
    if not excess or bound is None:
        return None
    return Worst(name, bound, value, at_ms, abs(excess) / rule.weights[name])


def excess_steps(bounds: Bounds, value: float) -> int:
    """Give how far a value lies outside, either way, in whole thousandths of its unit."""
    return round(abs(bounds.excess(value)) * EXCESS_PER_UNIT)


def _grown(base: SensorState, at_ms: int, fresh: Mapping[str, float], rule: Rule) -> Mapping[str, int]:
    """Add what the time between the reading before and this one was outside; a gap between them counts for nothing."""
    more: dict[str, int] = {}
    for name, value in fresh.items():
        before, heard_ms = base.held.get(name, (value, at_ms))
        if at_ms - heard_ms <= rule.silent_ms:
            bounds = rule.bounds[name]
            more[name] = (excess_steps(bounds, before) + excess_steps(bounds, value)) * (at_ms - heard_ms)
    return with_excess(base.excess, more)


def with_excess(excess: Mapping[str, int], more: Mapping[str, int]) -> Mapping[str, int]:
    """Give excesses with more of them added; the same object where there is nothing to add."""
    if not any(more.values()):
        return excess
    return {name: total for name in ORDER if (total := excess.get(name, 0) + more.get(name, 0))}


def _fulfilled(moved: SensorState, verdict: Verdict, rule: Rule) -> SensorState:
    """Let the dwell times have their say: only a reading that itself covers the step can take it."""
    at_ms = moved.last_ms or 0
    drifted_ms = -1 if moved.began_ms is None else at_ms - moved.began_ms
    back_ms = -1 if moved.returned_ms is None else at_ms - moved.returned_ms
    if moved.state is RoomState.LEAVING_RANGE and verdict is Verdict.OUTSIDE and drifted_ms >= rule.dwell_ms:
        return _with(moved, state=RoomState.OUT_OF_RANGE, why=Why.LASTED, since_ms=at_ms, opened_ms=at_ms)
    if moved.state is RoomState.RECOVERING and verdict is Verdict.INSIDE and back_ms >= rule.return_ms:
        within = _with(moved, state=RoomState.IN_RANGE, why=Why.STAYED)
        return _entered(within, RoomState.RECOVERING, at_ms)
    return moved
