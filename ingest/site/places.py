"""A site, its rooms, the window each room should keep, and the sensors in it."""

from __future__ import annotations

import datetime as dt
import enum
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final, TypeVar

from ingest.site.boards import Boards
from ingest.site.bounds import Bounds
from ingest.site.in_service import InService
from ingest.site.rules import Rules, StationRules

__all__ = ("JUDGED_QUANTITIES", "ROOM_ID", "AcclimationWindow", "Bounds", "Phase", "Place", "Room", "Sensor", "Site")

ROOM_ID: Final = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")
"""What a room may be called in files, addresses and commands; its title is free text."""


class Place(enum.Enum):
    """What a sensor sits in or on."""

    AIR = "air"  # the room's air: judged against the room's window
    WOOD = "wood"  # pins or a probe in the wood
    SLAB = "slab"  # a probe in a concrete slab or screed
    SURFACE = "surface"  # on a surface
    OUTDOORS = "outdoors"  # the outside air: shown, never judged
    OUTLET = "outlet"  # the air that leaves a dehumidifier: laid beside the room's


@dataclass(frozen=True, slots=True)
class AcclimationWindow:
    """The air that a room should keep. Judged quantities are those with bounds.

    dwell_s: how long it must lie outside, in event time, before it counts (s).
    return_dwell_s: how long it must be back inside by the margin before the incident closes (s).
    The margins say how far inside the bounds the air must be to count as returned; common practice, no source.
    """

    temperature_c: Bounds | None = None
    rh_percent: Bounds | None = None
    emc_percent: Bounds | None = None
    dwell_s: float = 1800.0
    return_dwell_s: float = 1800.0
    margin_temperature_c: float = 0.5
    margin_rh_percent: float = 1.0
    margin_emc_percent: float = 0.2

    def bounds(self) -> dict[str, Bounds]:
        """Give the bounds by quantity name, those that are set."""
        return {name: bounds for name in JUDGED_QUANTITIES if (bounds := getattr(self, name)) is not None}

    def margins(self) -> dict[str, float]:
        """Give the margins by quantity name."""
        return {name: getattr(self, f"margin_{name}") for name in JUDGED_QUANTITIES}


JUDGED_QUANTITIES: Final = ("temperature_c", "rh_percent", "emc_percent")
"""The quantities that an acclimation window may bound, in the order in which people name them."""


@dataclass(frozen=True, slots=True)
class Sensor:
    """A sensor and where it hangs.

    offline_after_s: without a word for this long it counts as silent (s).  accuracy_rh_percent, accuracy_temperature_c:
    how far it may be wrong (±). The defaults are those of ordinary room sensors (common practice, no source).
    checked_on: when it was last laid beside a known air (a saturated salt, a better instrument), ISO 8601 date, or ""
    where nobody said.  check_every_days: how often that is to be done; once a year (common practice, no source).
    """

    id: str
    room: str
    place: Place = Place.AIR
    title: str = ""
    offline_after_s: float = 1800.0
    accuracy_rh_percent: float = 3.0
    accuracy_temperature_c: float = 0.5
    checked_on: str = ""
    check_every_days: int = 365

    def __post_init__(self) -> None:
        if self.checked_on:
            dt.date.fromisoformat(self.checked_on)


@dataclass(frozen=True, slots=True)
class Phase:
    """A part of the job with a window of its own, from a day on.

    name: for people: "before delivery", "acclimating", "laying", "in service".  first_day: ISO 8601 date, such as
    "2026-11-25", at the site's midnight.  Raises ValueError for anything that is not a date.
    """

    name: str
    first_day: str
    window: AcclimationWindow

    def __post_init__(self) -> None:
        dt.date.fromisoformat(self.first_day)


@dataclass(frozen=True, slots=True)
class Room:
    """A room that is watched.

    window: what it should keep until its first phase begins, or always where there are no phases.
    boards: the lot of which the moisture is estimated, or None.  in_service: what the room will be like once it is
    lived in, or None where nobody said.
    """

    id: str
    title: str
    window: AcclimationWindow | None = None
    holds: str = ""  # what is in it, for people: "oak boards, 20 mm, stickered"
    phases: tuple[Phase, ...] = ()
    rules: Rules = field(default_factory=Rules)
    boards: Boards | None = None
    in_service: InService | None = None


@dataclass(frozen=True, slots=True)
class Site:
    """A place with rooms: what the watch is told about it.

    time_zone: IANA name.  elevation_m: above sea level, for the air pressure where none is measured (m).
    rules: those of the station itself.
    """

    name: str
    time_zone: str = "UTC"
    elevation_m: float = 0.0
    rooms: tuple[Room, ...] = ()
    sensors: tuple[Sensor, ...] = field(default=())
    rules: StationRules = field(default_factory=StationRules)

    def room(self, room_id: str) -> Room | None:
        """Give the room of that id, or None."""
        return _rooms_by_id(self.rooms).get(room_id)

    def sensor(self, sensor_id: str) -> Sensor | None:
        """Give the sensor of that id, or None."""
        return _sensors_by_id(self.sensors).get(sensor_id)

    def sensors_of(self, room_id: str, place: Place | None = None) -> tuple[Sensor, ...]:
        """Give a room's sensors, of one place or of all, in the order in which they were listed."""
        found = _sensors_by_room(self.sensors).get(room_id, ())
        return found if place is None else tuple(sensor for sensor in found if sensor.place is place)


_Item = TypeVar("_Item")
_Index = TypeVar("_Index")


def _indexed(make: Callable[[tuple[_Item, ...]], _Index]) -> Callable[[tuple[_Item, ...]], _Index]:
    """Have what is made of a tuple kept for the few tuples that were asked about last.

    They are told apart by identity: to compare a thousand rooms would take longer than to look through them. Safe from
    any thread, for the list of what is known is never changed but replaced.
    """
    known: tuple[tuple[tuple[_Item, ...], _Index], ...] = ()

    def find(items: tuple[_Item, ...]) -> _Index:
        nonlocal known
        for those, index in known:
            if those is items:
                return index
        index = make(items)
        known = ((items, index), *known[: _KEPT_INDICES - 1])
        return index

    return find


_KEPT_INDICES: Final = 4


@_indexed
def _rooms_by_id(rooms: tuple[Room, ...]) -> dict[str, Room]:
    return {room.id: room for room in reversed(rooms)}


@_indexed
def _sensors_by_id(sensors: tuple[Sensor, ...]) -> dict[str, Sensor]:
    return {sensor.id: sensor for sensor in reversed(sensors)}


@_indexed
def _sensors_by_room(sensors: tuple[Sensor, ...]) -> dict[str, tuple[Sensor, ...]]:
    found: dict[str, list[Sensor]] = {}
    for sensor in sensors:
        found.setdefault(sensor.room, []).append(sensor)
    return {room: tuple(those) for room, those in found.items()}
