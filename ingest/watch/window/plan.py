"""Which window held for a room at which time: the phases of the job, and what was changed on the way. Pure.

A plan is a sequence of (from when, window), first from ever, instants rising. Readings are judged by the window that
held when they were taken, whenever they arrive; a window changed by hand holds from the change on, never backwards.
"""

from __future__ import annotations

import datetime as dt
import functools
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any, Final, NamedTuple

from ingest.present.words import zone
from ingest.site.places import AcclimationWindow, Room, Site
from ingest.site.series import Int64s
from ingest.store.record.plain import from_plain

EVER_MS: Final = -(2**62)
"""From when on the first window of a plan holds."""


class Held(NamedTuple):
    """A window, and from when on it holds (UTC ms); None where none was set."""

    from_ms: int
    window: AcclimationWindow | None


Plan = tuple[Held, ...]


@functools.lru_cache(maxsize=1000)
def plan_of(room: Room, time_zone: str) -> Plan:
    """Give the plan that a job has for a room: its window, and from each phase's first day (site time) that phase's."""
    plan = [Held(EVER_MS, room.window)]
    for phase in sorted(room.phases, key=lambda phase: phase.first_day):
        begins = dt.datetime.combine(dt.date.fromisoformat(phase.first_day), dt.time(), zone(time_zone))
        plan.append(Held(round(begins.timestamp() * 1000), phase.window))
    return tuple(plan)


def window_at(plan: Plan, at_ms: int) -> AcclimationWindow | None:
    """Give the window that holds at an instant."""
    return next((held.window for held in reversed(plan) if held.from_ms <= at_ms), None)


def room_window(room: Room, time_zone: str, at_ms: int) -> AcclimationWindow | None:
    """Give the window that a job has for a room at an instant."""
    return window_at(plan_of(room, time_zone), at_ms)


def as_of(site: Site, at_ms: int) -> Site:
    """Give a job with each room's window that which holds at an instant; the same object where there are no phases."""
    if not any(room.phases for room in site.rooms):
        return site
    rooms = (replace(room, window=room_window(room, site.time_zone, at_ms)) for room in site.rooms)
    return replace(site, rooms=tuple(rooms))


def next_change_ms(site: Site, at_ms: int) -> int | None:
    """Give the next instant after one at which a job has another window for some room, None where there is none."""
    plans = (plan_of(room, site.time_zone) for room in site.rooms if room.phases)
    return min((held.from_ms for plan in plans for held in plan if held.from_ms > at_ms), default=None)


class AsOf:
    """Gives a job as of now, again and again: worked out anew where the job or a window has changed since."""

    def __init__(self) -> None:
        self._known: tuple[Site, int, int | None, Site] | None = None

    def __call__(self, site: Site, at_ms: int) -> Site:
        """As `as_of`. From any thread."""
        known = self._known
        if known is not None and known[0] is site and known[1] <= at_ms and (known[2] is None or at_ms < known[2]):
            return known[3]
        held = as_of(site, at_ms)
        self._known = (site, at_ms, next_change_ms(site, at_ms), held)
        return held


def changed(was: Plan, job: Plan, at_ms: int) -> Plan:
    """Give the plan after the job was changed at that instant: what held before stays, then the new job's holds."""
    before = [held for held in was if held.from_ms < at_ms]
    now = Held(at_ms if before else EVER_MS, window_at(job, at_ms))
    return (*before, now, *(held for held in job if held.from_ms > at_ms))


def stretches(plan: Plan, at_ms: Int64s) -> Iterator[tuple[Held, int, int]]:
    """Cut instants (rising) by the plan: which window, the first index under it, the first index after it."""
    begins = at_ms.searchsorted([held.from_ms for held in plan]).tolist()
    for number, held in enumerate(plan):
        end = begins[number + 1] if number + 1 < len(plan) else len(at_ms)
        if begins[number] < end:
            yield held, begins[number], end


def bound_names(plan: Plan) -> tuple[str, ...]:
    """Give the quantities that any window of a plan bounds."""
    return tuple(dict.fromkeys(name for held in plan if held.window for name in held.window.bounds()))


def to_facts(plan: Plan) -> list[list[Any]]:
    """Give a plan as JSON-able facts."""
    return [[held.from_ms, None if held.window is None else dict(_window_facts(held.window))] for held in plan]


def from_facts(facts: Sequence[Sequence[Any]]) -> Plan:
    """Give the plan of such facts."""
    # Rooms have few plans, and one is read with every look at how a room stands.
    return _plan_written(json.dumps(facts))


@functools.lru_cache(maxsize=1000)
def _plan_written(text: str) -> Plan:
    return tuple(
        Held(from_ms, None if window is None else from_plain(AcclimationWindow, window))
        for from_ms, window in json.loads(text)
    )


@functools.lru_cache(maxsize=1000)
def _window_facts(window: AcclimationWindow) -> Mapping[str, Any]:
    return asdict(window)  # which copies deeply, and a plan is put away with each memory that is saved
