"""Characteristics of the Bluetooth Environmental Sensing and Battery Services: octets in, values out. Pure.

Formats, ranges and the values that mean "not known" are those of the GATT Specification Supplement (Bluetooth SIG,
2026): Temperature, Humidity and Battery Level; Pressure is uint32 in 0.1 Pa, with no value that means "not known".
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, NamedTuple

from adapters.contract import QUANTITIES, Why

SENSING_SERVICE: Final = "0000181a-0000-1000-8000-00805f9b34fb"
BATTERY_SERVICE: Final = "0000180f-0000-1000-8000-00805f9b34fb"


class Characteristic(NamedTuple):
    """What a characteristic measures.  value = little-endian integer / over.  unknown: the integer that says so."""

    quantity: str
    length: int
    signed: bool
    over: float
    unknown: int | None = None


def short_uuid(short: int) -> str:
    """Give the whole UUID of a number that the Bluetooth SIG assigned."""
    return f"0000{short:04x}-0000-1000-8000-00805f9b34fb"


# The dew point (2A7B) comes in whole degrees: it is derived from temperature and humidity instead.
CHARACTERISTICS: Final[Mapping[str, Characteristic]] = {
    short_uuid(0x2A6E): Characteristic("temperature_c", 2, True, 100.0, -0x8000),
    short_uuid(0x2A6F): Characteristic("rh_percent", 2, False, 100.0, 0xFFFF),
    short_uuid(0x2A6D): Characteristic("pressure_kpa", 4, False, 10_000.0),
    short_uuid(0x2A19): Characteristic("battery_percent", 1, False, 1.0),
}


def decode_characteristic(characteristic: Characteristic, data: bytes) -> float | Why | None:
    """Give the value in our unit, None where the device says that it is not known, or why it cannot be.

    data: as read or notified; a length other than the format's is refused, nothing is clipped.
    """
    if len(data) != characteristic.length:
        return Why.UNDECODABLE
    raw = int.from_bytes(data, "little", signed=characteristic.signed)
    if raw == characteristic.unknown:
        return None
    value = raw / characteristic.over
    quantity = QUANTITIES[characteristic.quantity]
    return value if quantity.minimum <= value <= quantity.maximum else Why.OUT_OF_RANGE
