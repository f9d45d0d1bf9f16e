"""The job and the wiring file: the file seeds the job once, adds what is new later, and never overwrites it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from ingest.site.places import Room, Sensor, Site
from ingest.store.api import Store

BY: Final = "wiring file"


@dataclass(frozen=True, slots=True)
class Merged:
    """The job after the wiring file had its say.

    added: what is new, in words.  differing: what stands otherwise in the file than in the job, in words; the job
    holds.
    """

    site: Site
    added: tuple[str, ...] = ()
    differing: tuple[str, ...] = ()


def seed(store: Store, in_file: Site, *, now_ms: int) -> Merged:
    """Bring the store's job and the wiring file together and save what is new. Raises StorageError."""
    stored = store.read.site()
    merged = Merged(in_file, ("the site and all its rooms",)) if stored is None else merge(stored, in_file)
    if merged.added:
        with store.transaction() as work:
            work.save_site(merged.site, at_ms=now_ms, by=BY)
    return merged


def merge(stored: Site, in_file: Site) -> Merged:
    """Add rooms and sensors that only the file has; say what differs, and leave it as it is stored."""
    rooms = [room for room in in_file.rooms if stored.room(room.id) is None]
    sensors = [sensor for sensor in in_file.sensors if stored.sensor(sensor.id) is None]
    site = replace(stored, rooms=(*stored.rooms, *rooms), sensors=(*stored.sensors, *sensors))
    added = [f'room "{room.id}"' for room in rooms] + [f'sensor "{sensor.id}"' for sensor in sensors]
    return Merged(site, tuple(added), tuple(_differing(stored, in_file)))


def changes(stored: Site, wanted: Site) -> list[str]:
    """Say in words what changes when `wanted` takes the place of `stored`; nothing where they are the same."""
    words = [f"{what} is added" for what in merge(stored, wanted).added]
    words += [f"{what} is taken away" for what in merge(wanted, stored).added]
    words += [f"{what} changes" for what in _differing(stored, wanted)]
    return words or (["the order of rooms or sensors changes"] if stored != wanted else [])


def _differing(stored: Site, in_file: Site) -> list[str]:
    words = [
        f"the site's {name.replace('_', ' ')}"
        for name in ("name", "time_zone", "elevation_m")
        if getattr(stored, name) != getattr(in_file, name)
    ]
    if stored.rules != in_file.rules:
        words.append("the station's rules")
    for room in in_file.rooms:
        words += _of_room(stored.room(room.id), room)
    for sensor in in_file.sensors:
        words += _of_sensor(stored.sensor(sensor.id), sensor)
    return words


def _of_room(stored: Room | None, room: Room) -> list[str]:
    names = {name: name for name in ("title", "holds", "window", "phases", "rules", "boards")}
    names["in_service"] = "conditions in service"
    return [
        f'the {said} of room "{room.id}"'
        for name, said in names.items()
        if stored is not None and getattr(stored, name) != getattr(room, name)
    ]


def _of_sensor(stored: Sensor | None, sensor: Sensor) -> list[str]:
    names = {
        "room": "room",
        "place": "place",
        "title": "title",
        "silent_after_s": "silent time",
        "accuracy_rh_percent": "accuracy in RH",
        "accuracy_temperature_c": "accuracy in temperature",
        "checked_on": "last check",
        "check_every_days": "days between checks",
    }
    return [
        f'the {name} of sensor "{sensor.id}"'
        for field, name in names.items()
        if stored is not None and getattr(stored, field) != getattr(sensor, field)
    ]
