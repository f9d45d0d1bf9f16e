"""What a stretch of time was like in a room, as plain JSON-able facts for digests; from `ingest.practice.weeks`."""

from __future__ import annotations

from typing import Any, Final

from ingest.practice.week_edges import weeks_touching
from ingest.practice.weeks import Week, week_by_week
from ingest.present.digits import Units
from ingest.site.incidents import Incident
from ingest.site.places import JUDGED_QUANTITIES, Place, Room, Site
from ingest.store.api import StoreReader
from ingest.watch.reasons import sensor_name
from ingest.watch.standing import standing
from ingest.watch.window.memory import incident_to_json

MOST_INCIDENTS: Final = 200
PICTURED: Final = ("rh_percent", "emc_percent", "temperature_c")
"""Which quantity a room's picture shows: the first of these that its window bounds, or else the first of all."""


def room_facts(
    read: StoreReader, site: Site, room: Room, from_ms: int, to_ms: int, *, whole: bool, units: Units = Units.SI
) -> dict[str, Any]:
    """Give a room's facts over from_ms <= t < to_ms.

    whole: of that time alone, not of how the room stands now.  units: in which the reason is said.
    """
    parts = [
        week
        for span in weeks_touching(from_ms, to_ms, site.time_zone)
        for week in week_by_week(read, site, room, max(span.from_ms, from_ms), min(span.to_ms, to_ms))
    ]
    stands = standing(read, site, room.id, now_ms=to_ms, units=units)
    return {
        "room": room.id,
        "title": room.title or room.id,
        "state": stands.state.value,
        "reason": "" if whole else stands.reason,
        "has_window": room.window is not None,
        **_times(parts),
        "extremes": _extremes(parts),
        "emc_range": _emc_range(parts),
        "incidents": [_incident_facts(site, one) for one in incidents_in(read, room.id, from_ms, to_ms)],
        "picture": picture_facts(site, room, from_ms, to_ms),
    }


def incidents_in(read: StoreReader, room: str, from_ms: int, to_ms: int) -> list[Incident]:
    """Give a room's incidents that were going on at some time in from_ms <= t < to_ms, earliest first."""
    found = read.incidents(room=room, limit=MOST_INCIDENTS, before_ms=to_ms)
    going_on = [one for one in found if one.closed_ms is None or one.closed_ms > from_ms]
    return sorted(going_on, key=lambda one: one.began_ms)


def _incident_facts(site: Site, incident: Incident) -> dict[str, Any]:
    return {
        "incident": incident_to_json(incident),
        "sensor": sensor_name(site.sensor(incident.sensor), incident.sensor),
    }


def _times(parts: list[Week]) -> dict[str, int]:
    return {
        "within_ms": sum(part.within_ms for part in parts),
        "outside_ms": sum(part.outside_ms for part in parts),
        "not_known_ms": sum(part.not_known_ms for part in parts),
    }


def _extremes(parts: list[Week]) -> dict[str, list[float]]:
    found: dict[str, list[float]] = {}
    for name in ("temperature_c", "rh_percent"):
        spreads = [spread for part in parts if (spread := getattr(part, name)) is not None]
        if spreads:
            found[name] = [min(one.minimum for one in spreads), max(one.maximum for one in spreads)]
    return found


def _emc_range(parts: list[Week]) -> list[float] | None:
    told = [part.hourly_emc_percent for part in parts if part.hourly_emc_percent is not None]
    return [min(one.lowest for one in told), max(one.highest for one in told)] if told else None


def picture_facts(site: Site, room: Room, from_ms: int, to_ms: int) -> dict[str, Any] | None:
    """Say what a room's picture is to show; None where the room has no air sensor."""
    sensors = [(one.id, sensor_name(one, one.id)) for one in site.sensors_of(room.id, Place.AIR)]
    if not sensors:
        return None
    bounds = room.window.bounds() if room.window else {}
    quantity = next((name for name in PICTURED if name in bounds), PICTURED[0])
    assert quantity in JUDGED_QUANTITIES
    own = bounds.get(quantity)
    return {
        "quantity": quantity,
        "sensors": [list(one) for one in sensors],
        "from_ms": from_ms,
        "to_ms": to_ms,
        "bounds": None if own is None else {"low": own.low, "high": own.high},
    }
