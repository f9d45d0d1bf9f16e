"""The incidents page: of all rooms or of one, a page at a time, without losing any between two pages."""

from __future__ import annotations

from typing import Final

from dashboards.contexts import Choice, IncidentsPage
from dashboards.view import View
from ingest.site.incidents import Incident
from ingest.site.places import Room
from ingest.store.api import RecordReader

PER_PAGE: Final = 50


def incidents_page(view: View, *, room: Room | None, before_ms: int | None) -> IncidentsPage:
    """Gather it.  room: only of this one.  before_ms: only incidents opened before it, for paging back."""
    room_id = room.id if room else None
    going_on = [] if before_ms is not None else view.services.read.incidents(room=room_id, only_open=True)
    found, next_before_ms = page_of(view.services.read, room=room_id, limit=PER_PAGE, before_ms=before_ms)
    first = view.link("/incidents", room=room_id or "")
    choices = [Choice("", "All rooms", room is None)]
    choices += [Choice(one.id, one.title, one == room) for one in view.site.rooms]
    return IncidentsPage(
        shell=view.shell(f"Incidents: {room.title}" if room else "Incidents", "/incidents"),
        rooms=tuple(choices),
        units_asked=view.units_asked,
        of_room=room.title if room else "",
        back=before_ms is not None,
        going_on=tuple(view.incident(one) for one in going_on),
        over=tuple(view.incident(one) for one in found if not one.is_open),
        older=view.link("/incidents", room=room_id or "", before_ms=next_before_ms) if next_before_ms else "",
        newest=first if before_ms is not None else "",
    )


def page_of(
    read: RecordReader, *, room: str | None, limit: int, before_ms: int | None, only_open: bool = False
) -> tuple[list[Incident], int | None]:
    """Give about `limit` incidents, newest first, and the `before_ms` with which the page after them begins.

    Incidents that opened at one instant stay on one page: no page ends between them, where the next would lose some.
    """
    found = read.incidents(room=room, only_open=only_open, limit=limit + 1, before_ms=before_ms)
    if len(found) <= limit:
        return found, None
    kept = [one for one in found if one.opened_ms > found[-1].opened_ms]
    if kept:
        return kept, found[-1].opened_ms + 1
    return page_of(read, room=room, limit=limit * 10, before_ms=before_ms, only_open=only_open)
