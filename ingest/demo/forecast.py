"""What will happen while one looks, and when: worked out by living the next hours in advance with the same model."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from ingest.demo import history, troubles
from ingest.demo.folder import Memory
from ingest.demo.places import FRONT_ROOM

MS_PER_HOUR: Final = 3_600_000


class Forecast(NamedTuple):
    """Instants of the demonstration's clock (UTC ms), about: chance in people and noise is in them, the watch is not.

    trip_ms: the dehumidifier stops.  left_ms: the front room goes out of range.  mail_ms: it has been out for the
    dwell time.  reset_ms: the dehumidifier runs again.  The middle two are None where the room stays within.
    """

    trip_ms: int
    left_ms: int | None
    mail_ms: int | None
    reset_ms: int


def forecast(memory: Memory, now_ms: int) -> Forecast:
    """Live through the front room's next hours without storing anything."""
    trip_ms = now_ms + round(troubles.TRIP_AFTER_H * MS_PER_HOUR)
    reset_ms = trip_ms + round(troubles.TRIP_FOR_H * MS_PER_HOUR)
    left_ms = _leaves_at(memory, now_ms, reset_ms)
    window = FRONT_ROOM.room.window
    assert window is not None
    mail_ms = None if left_ms is None else left_ms + round(window.dwell_s * 1000.0)
    return Forecast(trip_ms, left_ms, mail_ms, reset_ms)


def _leaves_at(memory: Memory, now_ms: int, to_ms: int) -> int | None:
    window = FRONT_ROOM.room.window
    assert window is not None
    assert window.rh_percent is not None
    sensors = history.simulated(memory, FRONT_ROOM)
    at_ms = sensors.due(to_ms)
    columns = sensors.measure(at_ms)
    humidity = columns[FRONT_ROOM.air_sensor, "rh_percent"]
    outside = (at_ms >= now_ms) & (humidity > (window.rh_percent.high or 100.0))
    # The first instant from which it stays outside for as long as the dwell time.
    length = round(window.dwell_s / (sensors.interval_ms / 1000.0)) + 1
    kept = np.convolve(outside, np.ones(length), mode="valid") >= length - 0.5
    first = np.flatnonzero(kept)
    return int(at_ms[first[0]]) if len(first) else None
