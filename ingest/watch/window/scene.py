"""What judging a room needs to know besides the room's memory."""

from __future__ import annotations

from typing import NamedTuple

from ingest.site.places import Room, Sensor, Site
from ingest.store.api import StoreReader


class Scene(NamedTuple):
    """A room as it is judged.  air: its air sensors.  now_ms: our clock (UTC)."""

    read: StoreReader
    site: Site
    room: Room
    air: tuple[Sensor, ...]
    now_ms: int
