"""The check that every reading must pass before it is stored: pure, one reading at a time."""

from __future__ import annotations

import math
from collections.abc import Container, Iterable
from typing import Final

from adapters.contract import QUANTITIES, SENSOR_ID, Reading, Rejection

FUTURE_MS: Final = 5 * 60 * 1000
"""How far past our clock an instant may lie: clocks of sensors drift a little, but nobody measures tomorrow."""

OLDEST_MS: Final = 946_684_800_000
"""2000-01-01T00:00Z. An instant before it is that of a clock that was never set."""

BAD_SENSOR: Final = "not the id of a sensor"
UNKNOWN_QUANTITY: Final = "no such quantity"
NOT_A_NUMBER: Final = "not a finite number"
OUT_OF_RANGE: Final = "outside of what can be true"
FUTURE: Final = "instant lies in the future"
TOO_OLD: Final = "instant lies before the year 2000"
UNKNOWN_SENSOR: Final = "the sensor belongs to no room"

_DETAIL_LENGTH: Final = 200


def check(
    readings: Iterable[Reading], known: Container[str], now_ms: int
) -> tuple[list[Reading], list[Rejection], list[Rejection]]:
    """Sort readings into those to store, those that are wrong, and those of sensors that belong to no room.

    known: ids of the sensors that belong to rooms.  now_ms: our clock.
    """
    good: list[Reading] = []
    wrong: list[Rejection] = []
    strangers: list[Rejection] = []
    for reading in readings:
        reason = fault(reading, now_ms)
        if reason is not None:
            wrong.append(_rejection(reason, reading))
        elif reading.sensor in known:
            good.append(reading)
        else:
            strangers.append(_rejection(UNKNOWN_SENSOR, reading))
    return good, wrong, strangers


def fault(reading: Reading, now_ms: int) -> str | None:
    """Say why a reading cannot be true, in one of this module's wordings, or None when it may be."""
    quantity = QUANTITIES.get(reading.quantity)
    if quantity is None:
        return UNKNOWN_QUANTITY
    value = reading.value
    if not math.isfinite(value):
        return NOT_A_NUMBER
    if not quantity.minimum <= value <= quantity.maximum:
        return OUT_OF_RANGE
    if reading.at_ms > now_ms + FUTURE_MS:
        return FUTURE
    if reading.at_ms < OLDEST_MS:
        return TOO_OLD
    return None if SENSOR_ID.fullmatch(reading.sensor) else BAD_SENSOR


def _rejection(reason: str, reading: Reading) -> Rejection:
    detail = f"{reading.quantity} {reading.value!r} at {reading.at_ms}"
    printable = "".join(c if c.isprintable() else "?" for c in detail[:_DETAIL_LENGTH])
    sensor = reading.sensor if SENSOR_ID.fullmatch(reading.sensor) else None
    return Rejection(reason, printable, sensor)
