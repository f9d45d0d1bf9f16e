"""Which characteristics of a connected sensor are read, whose each is, and what its descriptors say of it.

A sensor may have several characteristics of one kind (two thermometers, one in the air and one on a lead). Each is a
probe: the first has the sensor's name, the others `<name>.2` and so on in the order of their handles, unless the wiring
file names them by what they say of themselves.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.descriptor import BleakGATTDescriptor
from bleak.exc import BleakError, BleakGATTProtocolError

from adapters.cancelling import cancellable
from adapters.contract import Rejection, Setting, SettingsError, Why, rejection
from adapters.framing.sensing import CHARACTERISTICS, Characteristic, decode_characteristic
from adapters.framing.sensing_descriptors import (
    LONGEST_SECONDS,
    MEASUREMENT,
    TRIGGER_SETTING,
    USER_DESCRIPTION,
    VALID_RANGE,
    About,
    decode_description,
    decode_measurement,
    decode_trigger,
    decode_valid_range,
    encode_trigger,
)
from adapters.packs import checked_name

MOST_PROBES: Final = 16
"""So many probes of one kind are taken of a sensor; it could claim thousands."""

PROBE_SETTINGS: Final[tuple[Setting, ...]] = (
    Setting(
        "probes",
        dict,
        'names of a sensor\'s several probes, by description or purpose: { loft = { "outside" = "roof", "top" = "" } }',
        default={},
    ),
    Setting(
        "notify_every_s",
        int,
        "set sensors to tell their values this often, where they let themselves be set; 0 = leave them as they are",
        default=0,
        minimum=0,
        maximum=LONGEST_SECONDS,
    ),
)

_REFUSALS: Final = {
    0x03: "it cannot be written",
    0x05: "it wants to be paired first",
    0x0F: "it wants to be paired first",
    0x80: "the sensor refuses the setting",
    0x81: "the sensor does not know this condition",
}
"""What a device means by an error code (Core Specification, attribute protocol; 80 and 81: the sensing service)."""

Names = Mapping[str, Mapping[str, str]]
"""The names of probes: sensor -> description or purpose -> name, empty for one that is left out."""


def checked_probes(given: Mapping[str, Any], sensors: Sequence[str]) -> Names:
    """Give the names of probes as they stand in the settings file.  Raises SettingsError where they cannot be."""
    names: dict[str, dict[str, str]] = {}
    for sensor, probes in given.items():
        if sensor not in sensors or not isinstance(probes, dict) or not probes:
            raise SettingsError(
                f"{sensor!r} is not one of the sensors, or has no table of its probes",
                where="probes",
                mend='Write as probes = { loft = { "its description" = "loft-lead" } }, with a name out of sensors',
            )
        names[sensor] = {said: checked_name(name, "probes") if name else "" for said, name in probes.items()}
    return names


@dataclass(slots=True)
class Probe:
    """A characteristic that is read.  sensor: whose values these are.  due_s: when it is to be read next (loop time).

    setting: what became of asking it to tell its values at an interval; empty where nothing was asked.
    """

    characteristic: BleakGATTCharacteristic
    meaning: Characteristic
    sensor: str
    about: About
    due_s: float = 0.0
    setting: str = ""

    def read(self, data: bytes) -> float | Rejection | None:
        """Give the value of octets that came, None where the device says that there is none, or why it cannot be."""
        value = decode_characteristic(self.meaning, data)
        valid = self.about.valid
        if isinstance(value, float) and valid is not None and not valid[0] <= value <= valid[1]:
            value = Why.OUT_OF_RANGE
        if isinstance(value, Why):
            return rejection(value, f"{self.meaning.quantity}: {data.hex()}", self.sensor)
        return value

    def sentence(self) -> str:
        """Say what the sensor says of this probe; empty where it says nothing."""
        return self.about.sentence(self.meaning.quantity, [self.setting] if self.setting else [])


async def probes_of(client: BleakClient, sensor: str, names: Names, limit_s: float) -> list[Probe]:
    """Find the probes of a connected sensor, those that are not to be taken among them.

    limit_s: how long each call may take.  Raises TimeoutError when the sensor does not answer.
    """
    found: dict[tuple[str, str], Probe] = {}
    said: dict[str, int] = {}
    for characteristic in sorted(client.services.characteristics.values(), key=lambda one: one.handle):
        meaning = CHARACTERISTICS.get(characteristic.uuid.lower())
        if meaning is None or "read" not in characteristic.properties:
            continue
        said[meaning.quantity] = number = said.get(meaning.quantity, 0) + 1
        if number > MOST_PROBES:
            continue
        about = await _about(client, characteristic, meaning, limit_s)
        whose = _named(about, names.get(sensor, {}), sensor if number == 1 else f"{sensor}.{number}")
        if (whose, meaning.quantity) in found:
            whose = f"{whose}.{number}"  # two that say the same of themselves are two all the same
        if whose:
            found[whose, meaning.quantity] = Probe(characteristic, meaning, whose, about)
    return list(found.values())


def _named(about: About, names: Mapping[str, str], otherwise: str) -> str:
    """Give the name that the settings file has for a probe, or else its usual one; empty to leave it out."""
    for word in (about.description, about.application):
        if word and word in names:
            return names[word]
    # Named by what it says of itself, and now it does not say it: it could be any of them.
    return "" if names and about.unread else otherwise


async def _about(
    client: BleakClient, characteristic: BleakGATTCharacteristic, meaning: Characteristic, limit_s: float
) -> About:
    told: dict[str, list[bytes]] = {}
    unread = False
    for descriptor in sorted(characteristic.descriptors, key=lambda one: one.handle):
        uuid = descriptor.uuid.lower()
        if uuid in (USER_DESCRIPTION, VALID_RANGE, MEASUREMENT, TRIGGER_SETTING):
            data = await _read(client, descriptor, limit_s)
            unread |= data is None
            if data is not None:
                told.setdefault(uuid, []).append(data)

    def first(uuid: str) -> bytes:
        return told.get(uuid, [b""])[0]

    triggers = [decode_trigger(meaning, data) for data in told.get(TRIGGER_SETTING, [])]
    return About(
        decode_description(first(USER_DESCRIPTION)),
        decode_measurement(first(MEASUREMENT)),
        decode_valid_range(meaning, first(VALID_RANGE)),
        tuple(trigger for trigger in triggers if trigger is not None),
        unread,
    )


async def _read(client: BleakClient, descriptor: BleakGATTDescriptor, limit_s: float) -> bytes | None:
    """Read a descriptor; None where the sensor does not let us, which spoils nothing else."""
    try:
        async with asyncio.timeout(limit_s):
            return bytes(await cancellable(client.read_gatt_descriptor(descriptor)))
    except BleakError:
        if not client.is_connected:
            raise
        return None


async def ask_to_tell(client: BleakClient, probes: Sequence[Probe], seconds: int, limit_s: float) -> None:
    """Set what can be set so that the sensor tells its values at an interval; each probe says what became of it.

    Only the first trigger of a characteristic is set, and only where it says something else: it is kept in the device.
    """
    for probe in probes:
        triggers = [one for one in probe.characteristic.descriptors if one.uuid.lower() == TRIGGER_SETTING]
        if "notify" not in probe.characteristic.properties or not triggers:
            continue
        if [trigger.seconds for trigger in probe.about.triggers[:1] if trigger.condition == 1] == [seconds]:
            continue
        first = min(triggers, key=lambda one: one.handle)
        probe.setting = await _set(client, first, seconds, limit_s)


async def _set(client: BleakClient, trigger: BleakGATTDescriptor, seconds: int, limit_s: float) -> str:
    try:
        async with asyncio.timeout(limit_s):
            await cancellable(client.write_gatt_descriptor(trigger, encode_trigger(seconds)))
    except BleakError as error:
        if not client.is_connected:
            raise
        return f"does not let itself be set to tell every {seconds} s ({_refusal(error)})"
    return f"set to tell every {seconds} s"


def _refusal(error: BleakError) -> str:
    if not isinstance(error, BleakGATTProtocolError):
        return str(error)[:80]
    code = int(error.code)
    words = f"; {_REFUSALS[code]}" if code in _REFUSALS else ""
    return f"error 0x{code:02x}{words}"
