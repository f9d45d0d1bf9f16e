"""What is stored and not judged as it should be yet: noted in the store, in the transaction that stores it.

Two kinds, each per room, with the earliest instant of each sensor:

* late: it lies before what a rule beside the window has judged; the rules' next round judges that again.
* unjudged: it was stored without anybody judging it (`lumberroom import`, or a fault in the judging): window and rules
  are to judge it, a room at a time, when the daemon comes to it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

import numpy as np

from ingest.site.places import Site
from ingest.site.series import ReadingBatch
from ingest.store.api import RecordReader, UnitOfWork

LATE: Final = "late"
UNJUDGED: Final = "unjudged"


def earliest(batch: ReadingBatch) -> dict[str, int]:
    """Give the earliest instant of each sensor in a batch (UTC ms)."""
    if not len(batch):
        return {}
    first_ms = np.full(len(batch.keys), np.iinfo(np.int64).max)
    np.minimum.at(first_ms, batch.key_index, batch.at_ms)
    found: dict[str, int] = {}
    for key, at_ms in zip(batch.keys, first_ms.tolist(), strict=True):
        if at_ms < found.get(key.sensor, 2**62):
            found[key.sensor] = at_ms
    return found


def note_unjudged(work: UnitOfWork, site: Site, batch: ReadingBatch) -> None:
    """Note that a batch was stored without being judged."""
    found = earliest(batch)
    rooms: dict[str, dict[str, int]] = {}
    for sensor in site.sensors:
        if sensor.id in found:
            rooms.setdefault(sensor.room, {})[sensor.id] = found[sensor.id]
    for room, sensors in rooms.items():
        note(work, UNJUDGED, room, sensors)


def note(work: UnitOfWork, kind: str, room: str, sensors: Mapping[str, int]) -> None:
    """Note instants of sensors of a room; one that is noted earlier already stays."""
    was = noted(work.read, kind, room)
    now = was | {name: at_ms for name, at_ms in sensors.items() if at_ms < was.get(name, 2**62)}
    if now != was:
        work.save_judgement(_name(kind, room), {"sensors": now})


def noted(read: RecordReader, kind: str, room: str) -> dict[str, int]:
    """Give what is noted of a room: per sensor, from when on (UTC ms)."""
    facts: Mapping[str, Any] = read.judgement(_name(kind, room)) or {}
    return dict(facts.get("sensors", {}))


def settle(work: UnitOfWork, kind: str, room: str) -> None:
    """Note that all of a room is judged."""
    if noted(work.read, kind, room):
        work.save_judgement(_name(kind, room), {"sensors": {}})


def rooms_with(read: RecordReader, kind: str, rooms: Iterable[str]) -> list[str]:
    """Give those of these rooms of which anything is noted."""
    return [room for room in rooms if noted(read, kind, room)]


def _name(kind: str, room: str) -> str:
    return f"{room}/{kind}"  # no room can be called so
