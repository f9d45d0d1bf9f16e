"""Which window a room had at each instant of the past: the phases of the job, and what was changed by hand."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import replace
from typing import Protocol, runtime_checkable

from ingest.site.places import Room, Site
from ingest.store.record.kinds import SITE
from ingest.store.record.records import Entry
from ingest.watch.window.plan import Plan, changed, plan_of


@runtime_checkable
class HistoryReader(Protocol):
    """What knows which site setups there were; a store's reader does."""

    def history(self, kind: str, subject: str = "") -> Sequence[Entry]:
        """Give every entry of a kind about a subject, oldest first."""
        ...


def plan_on_record(reader: object, site: Site, room: Room) -> Plan:
    """Give the windows that a room had, from when on each.

    As the watch judged it: a window that was changed by hand holds from its change on and never backwards, the first
    one from ever. A room that is not as the newest site setup on record has it is taken as it is given: somebody asks
    what would be.
    """
    entries = reader.history(SITE.name) if isinstance(reader, HistoryReader) else ()
    if entries:
        plan, recorded = _plan_and_room(tuple(entries), room.id)
        if recorded is not None and _same(recorded, room):
            return plan
    return plan_of(room, site.time_zone)


def _same(recorded: Room, room: Room) -> bool:
    """Tell whether a room is that on record; one with phases may be given with the window of one instant."""
    return recorded == (replace(room, window=recorded.window) if recorded.phases else room)


@functools.lru_cache(maxsize=256)
def _plan_and_room(entries: tuple[Entry, ...], room_id: str) -> tuple[Plan, Room | None]:
    plan: Plan = ()
    room: Room | None = None
    for entry in entries:
        was = SITE.of(entry)
        room = None if was is None else was.room(room_id)
        if was is None or room is None:
            continue
        job = plan_of(room, was.time_zone)
        plan = changed(plan, job, entry.at_ms) if plan else job
    return plan, room
