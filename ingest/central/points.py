"""Readings as lines of InfluxDB's line protocol, and back to what a line meant. Pure.

One measurement, `lumberroom`; one field per quantity, named as everywhere else; tags site, room, sensor. A reading that
was amended carries one tag more, `revision` (1, 2 ...): engines differ in what they do with a second value for one
instant (one keeps both, one the newer, one now this and now that), and a series of its own is right on all of them.
Whoever reads takes the highest revision of an instant. Times are milliseconds; every value is a float, so that no
server sees a whole number and settles on an integer field.

Line protocol: InfluxData, "Line protocol reference" (v2): in tags, comma, equals sign and space are escaped by a
backslash; a line feed cannot be said; a tag may not be empty.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from typing import Final, NamedTuple

MEASUREMENT: Final = "lumberroom"
SITE_MEASUREMENT: Final = "lumberroom_site"
ROOM_MEASUREMENT: Final = "lumberroom_room"
SENSOR_MEASUREMENT: Final = "lumberroom_sensor"
WINDOW_MEASUREMENT: Final = "lumberroom_window"

UNPLACED: Final = "none"
"""The room tag of a sensor that belongs to no room any more: a tag may not be empty."""

_ESCAPES: Final = str.maketrans(
    {"\\": "/", ",": "\\,", "=": "\\=", " ": "\\ ", "\n": "\\ ", "\r": "\\ ", "\t": "\\ ", "\0": ""}
)
# A backslash in a tag's value is legal, but one before a space, comma or the end is read differently by different
# servers; nothing of ours needs one.


class Point(NamedTuple):
    """One measured value as it goes out.  revision: how often it was amended (0: as it first came)."""

    sensor: str
    quantity: str
    at_ms: int
    value: float
    revision: int = 0


def line(measurement: str, tags: Mapping[str, str], fields: Mapping[str, float], at_ms: int) -> str:
    """Give one line; empty where no field is a finite number.

    tags: those that are empty are left out.  fields: values that are not finite are left out.
    """
    said = [f"{name}={float(value)!r}" for name, value in fields.items() if math.isfinite(value)]
    if not said:
        return ""
    tagged = "".join(f",{name}={tag}" for name, value in sorted(tags.items()) if (tag := escaped(value)))
    return f"{measurement}{tagged} {','.join(said)} {at_ms}"


def escaped(tag: str) -> str:
    """Give a tag's value as it stands in a line."""
    return tag.strip().translate(_ESCAPES)


def lines(points: Iterable[Point], *, site: str, rooms: Mapping[str, str], derived: Iterable[Point] = ()) -> list[str]:
    """Give the lines of measured points and of derived ones; what belongs to one sensor, instant and revision is one.

    rooms: sensor id to room id, as the job stands; a sensor that it does not name gets the room `UNPLACED`.
    """
    fields: dict[tuple[str, int, int], dict[str, float]] = {}
    for point in (*points, *derived):
        fields.setdefault((point.sensor, point.at_ms, point.revision), {})[point.quantity] = point.value
    made = []
    for (sensor, at_ms, revision), values in fields.items():
        tags = {"site": site, "room": rooms.get(sensor, UNPLACED), "sensor": sensor}
        if revision:
            tags["revision"] = str(revision)
        made.append(line(MEASUREMENT, tags, values, at_ms))
    return [one for one in made if one]


def runs(points: Iterable[Point], gap_ms: int) -> Iterator[list[Point]]:
    """Give points in order of time, cut where `gap_ms` or more lies between two."""
    run: list[Point] = []
    for point in sorted(points, key=lambda one: one.at_ms):
        if run and point.at_ms - run[-1].at_ms >= gap_ms:
            yield run
            run = []
        run.append(point)
    if run:
        yield run
