"""Bluetooth LE broadcasts in BTHome version 2, an open format (bthome.io/format): service data in, readings out. Pure.

Service data (UUID 0xFCD2) are one octet of device information (bit 0 encrypted, bits 5-7 version) and then objects: an
id and a little-endian value each, whose length follows from the id. There is no other length, so what comes after an
id that we do not know cannot be read; what came before it holds.

Encrypted, the objects are a ciphertext of AES-CCM (RFC 3610; 16-octet key, 4-octet check, no associated data), then a
counter of 4 octets, then the check. The nonce is the device's address, the UUID, the device information and the
counter, so that a broadcast of another device, or a changed one, does not decrypt.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Final, NamedTuple

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESCCM

from adapters.contract import QUANTITIES, Reading, Rejection, Stamp, Why, rejection

SERVICE_UUID: Final = "0000fcd2-0000-1000-8000-00805f9b34fb"
_ENCRYPTED: Final = 0x01
_ADDRESS_WITHIN: Final = 0x02  # not in the format as published; seen in payloads of others, and nothing to guess at
_VERSION: Final = 2
_UUID_ON_AIR: Final = b"\xd2\xfc"
_COUNTER_LENGTH: Final = 4
_CHECK_LENGTH: Final = 4
_PACKET_ID: Final = 0x00
_VARIABLE: Final = frozenset({0x53, 0x54})  # text and raw: their first octet is their length


class Meaning(NamedTuple):
    """What an object measures.  value = integer * times / over, in our unit."""

    quantity: str
    length: int
    signed: bool
    times: float = 1.0
    over: float = 1.0


# Objects that are quantities of ours. "Moisture" (0x14, 0x2F) says neither material nor method, so it is none.
MEANINGS: Final[Mapping[int, Meaning]] = {
    0x01: Meaning("battery_percent", 1, False),
    0x02: Meaning("temperature_c", 2, True, over=100.0),
    0x03: Meaning("rh_percent", 2, False, over=100.0),
    0x04: Meaning("pressure_kpa", 3, False, over=1000.0),  # 0.01 hPa
    0x2E: Meaning("rh_percent", 1, False),
    0x45: Meaning("temperature_c", 2, True, over=10.0),
    0x57: Meaning("temperature_c", 1, True),  # this one and the next from memory, not read in the published table
    0x58: Meaning("temperature_c", 1, True, times=35.0, over=100.0),
}

_LENGTHS: Final[Mapping[int, int]] = {
    **{object_id: meaning.length for object_id, meaning in MEANINGS.items()},
    **dict.fromkeys((_PACKET_ID, 0x09, *range(0x0F, 0x12), *range(0x15, 0x2E), 0x2F, 0x3A, 0x46, 0x59), 1),
    **dict.fromkeys((*range(0x06, 0x09), 0x0C, 0x0D, 0x0E, 0x12, 0x13, 0x14, 0x3D, 0x3F, 0x40, 0x41, 0x43, 0x44), 2),
    **dict.fromkeys((*range(0x47, 0x4B), 0x51, 0x56, 0x5A, 0x5D), 2),
    **dict.fromkeys((0x05, 0x0A, 0x0B, 0x42, 0x4B), 3),
    **dict.fromkeys((0x3E, 0x4C, 0x4D, 0x5B), 4),
}
"""Octets of the value, by object id, as far as read in the published table; the rest end the reading."""


class Broadcast(NamedTuple):
    """What one broadcast says.  packet_id: 0 to 255, None where it has none; a repeat bears the same."""

    packet_id: int | None
    readings: list[Reading]
    rejections: list[Rejection]


class Sealed(NamedTuple):
    """An encrypted broadcast, opened.  plain: what it would be unencrypted.  counter: rises with every one."""

    plain: bytes
    counter: int


def is_encrypted(data: bytes) -> bool:
    """Say whether service data are an encrypted broadcast of this format."""
    return bool(data) and data[0] >> 5 == _VERSION and bool(data[0] & _ENCRYPTED)


def unseal(data: bytes, key: bytes, address: bytes) -> Sealed | None:
    """Open an encrypted broadcast; None when it was not made with this key by the device of this address.

    key: 16 octets.  address: 6 octets, as printed.
    """
    if len(data) < 1 + _COUNTER_LENGTH + _CHECK_LENGTH + 1:
        return None
    counter, check = data[-8:-4], data[-4:]
    nonce = address + _UUID_ON_AIR + data[:1] + counter
    try:
        plain = AESCCM(key, tag_length=_CHECK_LENGTH).decrypt(nonce, data[1:-8] + check, None)
    except InvalidTag:
        return None
    return Sealed(bytes([data[0] & ~_ENCRYPTED]) + plain, int.from_bytes(counter, "little"))


def decode_broadcast(data: bytes, sensor: str, at_ms: int) -> Broadcast:
    """Read the service data of one broadcast, unencrypted or opened by `unseal`.

    sensor: whose it is.  at_ms: when it was heard, UTC ms.  A device with several probes says a quantity several
    times: the first is the sensor's own, the further ones are those of `<sensor>.2`, `<sensor>.3` and so on.
    Never raises for anything in `data`; every reading lies in its quantity's range.
    """
    why = _refused(data)
    if why is not None:
        return Broadcast(None, [], [rejection(why, data.hex(), sensor)])
    found = Broadcast(None, [], [])
    packet_id: int | None = None
    times_said: Counter[str] = Counter()
    for object_id, raw in _objects(data[1:]):
        meaning = MEANINGS.get(object_id)
        if raw is None:
            found.rejections.append(rejection(Why.UNDECODABLE, f"object {object_id:02x} in {data.hex()}", sensor))
        elif object_id == _PACKET_ID:
            packet_id = raw[0]
        elif meaning is not None:
            times_said[meaning.quantity] += 1
            probe = times_said[meaning.quantity]
            _take(found, meaning, raw, sensor if probe == 1 else f"{sensor}.{probe}", at_ms)
    return found._replace(packet_id=packet_id)


def _refused(data: bytes) -> Why | None:
    if not data or data[0] >> 5 != _VERSION or data[0] & _ADDRESS_WITHIN:
        return Why.UNDECODABLE
    return Why.ENCRYPTED if data[0] & _ENCRYPTED else None


def _objects(data: bytes) -> list[tuple[int, bytes | None]]:
    """Cut objects apart; None marks one that is cut short, at which it ends. An unknown id ends it silently."""
    out: list[tuple[int, bytes | None]] = []
    at = 0
    while at < len(data):
        object_id = data[at]
        if object_id in _VARIABLE:
            length = 1 + (data[at + 1] if at + 1 < len(data) else 0)
        elif object_id in _LENGTHS:
            length = _LENGTHS[object_id]
        else:
            break
        raw = data[at + 1 : at + 1 + length]
        out.append((object_id, raw if len(raw) == length else None))
        at += 1 + length
    return out


def _take(found: Broadcast, meaning: Meaning, raw: bytes, sensor: str, at_ms: int) -> None:
    value = int.from_bytes(raw, "little", signed=meaning.signed) * meaning.times / meaning.over
    quantity = QUANTITIES[meaning.quantity]
    if quantity.minimum <= value <= quantity.maximum:
        found.readings.append(Reading(sensor, meaning.quantity, value, at_ms, Stamp.ARRIVAL))
    else:
        found.rejections.append(rejection(Why.OUT_OF_RANGE, f"{meaning.quantity} {value:g}", sensor))
