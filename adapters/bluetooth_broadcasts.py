"""Listens to Bluetooth LE sensors that broadcast in BTHome version 2, plain or encrypted, those on its list only.

Only addresses on the list are ever decoded or remembered, so strangers nearby neither enter the record nor grow the
memory.
"""

from __future__ import annotations

import re
from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Final, NamedTuple

from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from adapters.bluetooth_inbox import RadioInbox
from adapters.bluetooth_names import ADDRESS, NO_RSSI, RADIO_SETTINGS, listed_sensors
from adapters.bluetooth_radio import listening
from adapters.contract import (
    QUANTITIES,
    AdapterHealth,
    Reading,
    Setting,
    SettingsError,
    Stamp,
    WallClock,
    Why,
    rejection,
)
from adapters.framing.broadcasts import SERVICE_UUID, Sealed, decode_broadcast, is_encrypted, unseal

RESTAMP_MS: Final = 60_000
"""A payload without a packet number that does not change counts as a new measurement at most this often."""
COUNTER_REST_MS: Final = 600_000
"""A counter that fell is believed after so long a silence: a sensor begins anew with a new battery."""
_KEY: Final = re.compile(r"[0-9A-Fa-f]{32}")


class Heard(NamedTuple):
    """A broadcast of a sensor on the list."""

    sensor: str
    payload: bytes
    rssi_dbm: int
    at_ms: int
    address: str
    key: bytes | None


@dataclass(slots=True)
class _Last:
    """What was last taken of a sensor.  counter: of the last that was encrypted."""

    packet_id: int | None
    payload: bytes
    at_ms: int
    counter: int | None


class BluetoothBroadcasts:
    """One radio and the sensors on its list."""

    SUMMARY: ClassVar[str] = "Bluetooth LE sensors that broadcast in BTHome version 2, plain or encrypted"
    SETTINGS: ClassVar[tuple[Setting, ...]] = (
        *RADIO_SETTINGS,
        Setting(
            "keys",
            str,
            "the keys of encrypted sensors: an address and 32 hexadecimal digits each, in lines or parted by commas",
            secret=True,
        ),
    )

    def __init__(self, settings: Mapping[str, Any], clock: WallClock) -> None:
        """Take checked settings; raises SettingsError for an address or a name that cannot be one."""
        self.health = AdapterHealth()
        self._clock = clock
        self._radio: str = settings["radio"]
        self._deaf_after_s: float = settings["deaf_after_s"]
        self._sensors = listed_sensors(settings["sensors"])
        self._keys = _keys(settings["keys"] or "")
        self._last: dict[str, _Last] = {}
        self._inbox: RadioInbox[Heard]

    def describe(self) -> str:
        """Say what this listens to."""
        count = len(self._sensors)
        return f"Bluetooth broadcasts of {count} sensor{'s' * (count != 1)} on {self._radio or 'the first radio'}"

    async def readings(self) -> AsyncIterator[Sequence[Reading]]:
        """Scan, and give what each new measurement says, with the strength of its signal.

        Raises LostDeviceError, RefusedError and TransientError when the radio cannot scan, LostDeviceError when it was
        pulled out or switched off, and TransientError when it has gone deaf (a new scanner hears again where an old
        one does not).
        """
        self._inbox = RadioInbox(self.describe(), self.health, self._deaf_after_s)
        async with listening(self._radio, self._listen, self._inbox.put):
            while True:
                batch = self._take(await self._inbox.next())
                if batch:
                    yield batch

    def _listen(self, device: BLEDevice, advertisement: AdvertisementData) -> None:
        if advertisement.rssi == NO_RSSI:
            return  # some property changed; the payload that comes with it may be days old
        self._inbox.sign()
        sensor = self._sensors.get(device.address.upper())
        payload = advertisement.service_data.get(SERVICE_UUID)
        if sensor is None or payload is None:
            return
        key = self._keys.get(device.address.upper())
        self._inbox.put(Heard(sensor, payload, advertisement.rssi, self._clock.now_ms(), device.address, key))

    def _take(self, heard: Heard) -> list[Reading]:
        """Decode a broadcast unless it repeats the one before."""
        last = self._last.get(heard.sensor)
        if heard.key is not None:
            opened = self._opened(heard, heard.key, last)
            if opened is None:
                return []
            payload, counter = opened
            heard = heard._replace(payload=payload)
        else:
            counter = None
        decoded = decode_broadcast(heard.payload, heard.sensor, heard.at_ms)
        # A counter that rose says by itself that this is new.
        if last is not None and counter is None and not _is_new(last, decoded.packet_id, heard):
            return []
        self._last[heard.sensor] = _Last(decoded.packet_id, heard.payload, heard.at_ms, counter)
        for rejected in decoded.rejections:
            self.health.reject(rejected)
        signal = QUANTITIES["signal_dbm"]
        if decoded.readings and signal.minimum <= heard.rssi_dbm <= signal.maximum:
            reading = Reading(heard.sensor, signal.name, float(heard.rssi_dbm), heard.at_ms, Stamp.ARRIVAL)
            return [*decoded.readings, reading]
        return decoded.readings

    def _opened(self, heard: Heard, key: bytes, last: _Last | None) -> Sealed | None:
        """Open a broadcast of a sensor that has a key; None for a repeat, and for what is not to be believed."""
        address = bytes.fromhex(heard.address.replace(":", ""))
        sealed = unseal(heard.payload, key, address) if is_encrypted(heard.payload) else None
        if sealed is None:  # a plain one too: a sensor that has a key is believed by nothing else
            self.health.reject(rejection(Why.NOT_SEALED, heard.payload.hex(), heard.sensor))
            return None
        if last is None or last.counter is None or sealed.counter > last.counter:
            return sealed
        if sealed.counter == last.counter:
            return None
        if heard.at_ms - last.at_ms >= COUNTER_REST_MS:  # a new battery, most likely
            return sealed
        self.health.reject(rejection(Why.REPLAYED, f"counter {sealed.counter} after {last.counter}", heard.sensor))
        return None


def _is_new(last: _Last, packet_id: int | None, heard: Heard) -> bool:
    if packet_id is not None:
        return packet_id != last.packet_id
    # Without a packet number a repeat and a steady room look the same.
    return heard.payload != last.payload or abs(heard.at_ms - last.at_ms) >= RESTAMP_MS


def _keys(text: str) -> dict[str, bytes]:
    """Read the keys; raises SettingsError, which never shows one."""
    keys: dict[str, bytes] = {}
    for number, line in enumerate(filter(None, (part.strip() for part in re.split(r"[\n,]", text))), 1):
        words = line.replace("=", " ").split()
        if len(words) != 2 or not ADDRESS.fullmatch(words[0].upper()) or not _KEY.fullmatch(words[1]):
            raise SettingsError(
                f"entry {number} is no address and key",
                where="keys",
                mend="Write each as A4:C1:38:00:00:01 and 32 hexadecimal digits",
            )
        keys[words[0].upper()] = bytes.fromhex(words[1])
    return keys
