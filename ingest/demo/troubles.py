"""What befalls the invented rooms, in hours after the story's start: past troubles, and those to come.

The house dries out with a dehumidifier. Its past has one long stop of that machine; a quarter of an hour (of its own
time) after each start of the demonstration it stops again, and the front room drifts out of range.
"""

from __future__ import annotations

from typing import Any, Final

from ingest.demo.places import FRONT_ROOM, JOINERS_SHOP

HISTORY_DAYS: Final = 60
TRIP_AFTER_H: Final = 0.25
TRIP_FOR_H: Final = 8.0
# Further stops keep a demonstration that runs for days from falling asleep.
TRIP_EVERY_H: Final = 75.0
FURTHER_TRIPS: Final = 12

_PAST: Final[dict[str, list[dict[str, Any]]]] = {
    FRONT_ROOM.room.id: [
        {"event": "wet_trade", "after_h": 20 * 24.0, "for_h": 8.0, "kg": 60.0},  # walls plastered
        {"event": "wet_trade", "after_h": 35 * 24.0, "for_h": 8.0, "kg": 50.0},  # making good
        {"event": "dehumidifier_trip", "after_h": 36 * 24.0, "for_h": 30.0},
        {"event": "wet_trade", "after_h": 56 * 24.0, "for_h": 8.0, "kg": 100.0},  # second coat
    ],
    JOINERS_SHOP.room.id: [{"event": "window_open", "after_h": 47 * 24.0, "for_h": 14.0}],
}


def events(room: str, live_starts_h: list[float]) -> list[dict[str, Any]]:
    """Give a room's events.  live_starts_h: when the demonstration was started, in hours after the story's start."""
    told = list(_PAST.get(room, []))
    for start_h in live_starts_h:
        told += _live(room, start_h)
    return told


def _live(room: str, start_h: float) -> list[dict[str, Any]]:
    if room == JOINERS_SHOP.room.id:
        return [{"event": "window_open", "after_h": start_h + 20.0, "for_h": 10.0}]
    if room != FRONT_ROOM.room.id:
        return []
    told: list[dict[str, Any]] = []
    for number in range(FURTHER_TRIPS):
        trip_h = start_h + TRIP_AFTER_H + number * TRIP_EVERY_H
        told.append({"event": "dehumidifier_trip", "after_h": trip_h, "for_h": TRIP_FOR_H})
        told.append({"event": "wet_trade", "after_h": trip_h, "for_h": 4.0, "kg": 30.0})
    return told
