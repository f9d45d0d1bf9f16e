"""The check that every reading must pass before it is stored: pure, one reading at a time."""

from __future__ import annotations

import math
from collections.abc import Container, Iterable
from typing import Final, NamedTuple

from adapters.contract import QUANTITIES, SENSOR_ID, Reading, Rejection, Stamp, Why, rejection
from ingest.clock import plainly_wrong

FUTURE_MS: Final = 5 * 60 * 1000
"""How far past our clock an instant may lie: clocks of sensors drift a little, but nobody measures tomorrow."""

OLDEST_MS: Final = 946_684_800_000
"""2000-01-01T00:00Z. An instant before it is that of a clock that was never set."""


class Checked(NamedTuple):
    """Readings sorted.  wrong, unassigned: what cannot be true, and what is of sensors that belong to no room, each
    with the number of its reading, counted from 0."""

    good: list[Reading]
    wrong: list[tuple[int, Rejection]]
    unassigned: list[tuple[int, Rejection]]


def check(readings: Iterable[Reading], known: Container[str], now_ms: int) -> Checked:
    """Sort readings into those to store, those that are wrong, and those of sensors that belong to no room.

    known: ids of the sensors that belong to rooms.  now_ms: our clock.
    """
    checked = Checked([], [], [])
    for number, reading in enumerate(readings):
        reason = fault(reading, now_ms)
        if reason is not None:
            checked.wrong.append((number, _refused(reason, reading)))
        elif reading.sensor in known:
            checked.good.append(reading)
        else:
            checked.unassigned.append((number, _refused(Why.UNKNOWN_SENSOR, reading)))
    return checked


def fault(reading: Reading, now_ms: int) -> Why | None:
    """Say why a reading cannot be true, or None when it may be."""
    quantity = QUANTITIES.get(reading.quantity)
    if quantity is None:
        return Why.UNKNOWN_QUANTITY
    value = reading.value
    if not math.isfinite(value):
        return Why.NOT_FINITE
    if not quantity.minimum <= value <= quantity.maximum:
        return Why.OUT_OF_RANGE
    return _fault_of_time(reading, now_ms) or (None if SENSOR_ID.fullmatch(reading.sensor) else Why.NAME)


def _fault_of_time(reading: Reading, now_ms: int) -> Why | None:
    is_ahead = reading.at_ms > now_ms + FUTURE_MS
    if (is_ahead or reading.stamp is Stamp.ARRIVAL) and plainly_wrong(now_ms):
        return Why.CLOCK
    if is_ahead:
        return Why.FUTURE
    return Why.TOO_OLD if reading.at_ms < OLDEST_MS else None


def _refused(why: Why, reading: Reading) -> Rejection:
    sensor = reading.sensor if SENSOR_ID.fullmatch(reading.sensor) else None
    return rejection(why, f"{reading.quantity} {reading.value!r} at {reading.at_ms}", sensor)
