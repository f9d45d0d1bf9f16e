"""What there is by the name that somebody gave."""

from __future__ import annotations

from dashboards.shell.problems import AnswerError
from ingest.site.places import Room, Site


def known_room(site: Site, room_id: str) -> Room:
    """Give the room of that id.  Raises AnswerError (404) that lists the rooms there are."""
    if (room := site.room(room_id)) is None:
        there = ", ".join(room.id for room in site.rooms[:20]) or "none yet"
        raise AnswerError(404, f"There is no room {room_id[:60]!r}.", where="room", mend=f"The rooms are: {there}.")
    return room
