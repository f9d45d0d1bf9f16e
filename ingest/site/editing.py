"""Changes of the site setup: what differs between two, in words, and one laid over another. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, TypeVar

from ingest.site.places import Room, Sensor, Site

_SITE_FIELDS: Final = {
    "name": "name",
    "time_zone": "time zone",
    "elevation_m": "elevation",
    "rules": "rules of the station",
}
_ROOM_FIELDS: Final = {
    "title": "title",
    "holds": "contents",
    "window": "acclimation window",
    "phases": "phases",
    "rules": "rules",
    "boards": "boards",
    "in_service": "conditions in service",
}
_SENSOR_FIELDS: Final = {
    "room": "room",
    "place": "place",
    "title": "title",
    "offline_after_s": "time until it counts as offline",
    "accuracy_rh_percent": "accuracy in RH",
    "accuracy_temperature_c": "accuracy in temperature",
    "checked_on": "last check",
    "check_every_days": "days between checks",
}
_Named = TypeVar("_Named", Room, Sensor)


def laid_over(stored: Site, wanted: Site) -> Site:
    """Give `stored` with all that `wanted` names as it says; rooms and sensors that it does not name stay."""
    return replace(wanted, rooms=_over(stored.rooms, wanted.rooms), sensors=_over(stored.sensors, wanted.sensors))


def _over(stored: tuple[_Named, ...], wanted: tuple[_Named, ...]) -> tuple[_Named, ...]:
    new, known = {one.id: one for one in wanted}, {one.id for one in stored}
    kept = tuple(new.get(one.id, one) for one in stored)  # in the order that people know
    return kept + tuple(one for one in wanted if one.id not in known)


def with_sensor(site: Site, sensor: Sensor) -> Site:
    """Give a site setup with one more sensor, or with another one in the place of that of its id."""
    return replace(site, sensors=_over(site.sensors, (sensor,)))


@dataclass(frozen=True, slots=True)
class Changed:
    """A site setup after a change.  number: of its entry in the log.  words: what changed; empty where nothing did."""

    site: Site
    number: int
    words: tuple[str, ...]


def changes(stored: Site, wanted: Site) -> list[str]:
    """Say in words what changes when `wanted` takes the place of `stored`; nothing where they are the same."""
    words = [f"{what} is added" for what in _only_in(wanted, stored)]
    words += [f"{what} is taken away" for what in _only_in(stored, wanted)]
    words += [f"{what} changes" for what in _differing(stored, wanted)]
    return words or (["the order of rooms or sensors changes"] if stored != wanted else [])


def differences(stored: Site, in_file: Site) -> list[str]:
    """Say in words in what the settings file says otherwise than the site setup in use; the order says nothing.

    What only the site setup has is no difference: rooms and sensors may be added on a page.
    """
    return [f"{what} is in the file only" for what in _only_in(in_file, stored)] + _differing(stored, in_file)


def _only_in(one: Site, other: Site) -> list[str]:
    words = [f'room "{room.id}"' for room in one.rooms if other.room(room.id) is None]
    return words + [f'sensor "{sensor.id}"' for sensor in one.sensors if other.sensor(sensor.id) is None]


def _differing(stored: Site, wanted: Site) -> list[str]:
    words = [f"the site's {said}" for name, said in _SITE_FIELDS.items() if _differ(stored, wanted, name)]
    for room in wanted.rooms:
        was = stored.room(room.id)
        words += [f'the {said} of room "{room.id}"' for name, said in _ROOM_FIELDS.items() if _differ(was, room, name)]
    for sensor in wanted.sensors:
        had = stored.sensor(sensor.id)
        words += [
            f'the {said} of sensor "{sensor.id}"' for name, said in _SENSOR_FIELDS.items() if _differ(had, sensor, name)
        ]
    return words


def _differ(was: object, now: object, name: str) -> bool:
    return was is not None and getattr(was, name) != getattr(now, name)
