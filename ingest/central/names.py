"""How rooms and sensors of many sites are told apart in one office: `site.room` and `site/sensor`. Pure.

A site's id holds neither a full stop nor a slash, so that the first one always divides.
"""

from __future__ import annotations

from dataclasses import replace

from ingest.site.places import Site


def room_name(site_id: str, room: str) -> str:
    """Give the office's id of a site's room."""
    return f"{site_id}.{room}"


def sensor_name(site_id: str, sensor: str) -> str:
    """Give the office's id of a site's sensor."""
    return f"{site_id}/{sensor}"


def sensor_of(name: str) -> tuple[str, str]:
    """Give site and sensor of an office's sensor id; an empty site where it names none."""
    site_id, slash, sensor = name.partition("/")
    return (site_id, sensor) if slash else ("", name)


def joined(name: str, time_zone: str, sites: dict[str, Site]) -> Site:
    """Give one site that holds the rooms and sensors of all, in the order of the sites' names."""
    in_order = sorted(sites.items(), key=lambda item: (item[1].name.casefold(), item[0]))
    rooms = [
        replace(room, id=room_name(site_id, room.id), title=f"{site.name}: {room.title}")
        for site_id, site in in_order
        for room in site.rooms
    ]
    sensors = [
        replace(sensor, id=sensor_name(site_id, sensor.id), room=room_name(site_id, sensor.room))
        for site_id, site in in_order
        for sensor in site.sensors
    ]
    return Site(name, time_zone, rooms=tuple(rooms), sensors=tuple(sensors))
