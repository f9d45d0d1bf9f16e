"""Reads Bluetooth LE sensors over a connection: the SIG's Environmental Sensing Service and Battery Service.

Each sensor on the list is connected to when it is heard, read at an interval and, where it can, listened to between.
Whether a connection stands is told by values that come, not by what the system says of it: every call has its own time
limit, and whatever happens, the connection is ended by us, because one that the device ended leaks otherwise.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import random
from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar, Final

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData
from bleak.exc import BleakError

from adapters.bluetooth_inbox import RadioInbox
from adapters.bluetooth_names import NO_RSSI, RADIO_SETTINGS, listed_sensors
from adapters.bluetooth_probes import PROBE_SETTINGS, Probe, ask_to_tell, checked_probes, probes_of
from adapters.bluetooth_radio import connecting, listening
from adapters.cancelling import cancellable, in_time
from adapters.contract import (
    QUANTITIES,
    AdapterHealth,
    Reading,
    Rejection,
    Setting,
    Stamp,
    WallClock,
    Why,
    rejection,
)

CONNECT_LIMIT_S: Final = 20.0
CALL_LIMIT_S: Final = 5.0
DISCONNECT_LIMIT_S: Final = 0.8
UNHEARD_S: Final = 30.0
"""A sensor that was not heard for so long may be connected still, from a run that was killed: it is tried all the
same."""
FIRST_WAIT_S: Final = 2.0
LONGEST_WAIT_S: Final = 60.0
"""A sensor that is heard but cannot be connected to is tried this seldom: each attempt holds up the others."""
GONE_S: Final = 4.0
"""A sensor that is heard after so long a silence has returned, and is tried at once."""
_NEARLY: Final = 0.9

_FAILURES: Final = (BleakError, OSError, EOFError, KeyError, TimeoutError, AssertionError)
"""What bleak lets through, found by provoking it."""


@dataclass(slots=True)
class _Peer:
    """A sensor on the list."""

    address: str
    sensor: str
    device: BLEDevice | None = None
    rssi_dbm: int | None = None
    heard_s: float = -math.inf  # when it was last reading or read, on the loop's clock
    heard: asyncio.Event = field(default_factory=asyncio.Event)
    stated: tuple[tuple[str, str], ...] = ()  # of which of its quantities it said something
    returned: asyncio.Event = field(default_factory=asyncio.Event)


class BluetoothSensing:
    """One radio and the sensors on its list."""

    SUMMARY: ClassVar[str] = "Bluetooth LE sensors by connection (Environmental Sensing Service)"
    SETTINGS: ClassVar[tuple[Setting, ...]] = (
        *RADIO_SETTINGS,
        Setting("interval_s", float, "seconds from one reading of a sensor to the next", default=60.0, minimum=0.05),
        Setting("notify", bool, "whether to listen between, where the sensor can tell by itself", default=True),
        *PROBE_SETTINGS,
    )

    def __init__(self, settings: Mapping[str, Any], clock: WallClock) -> None:
        """Take checked settings; raises SettingsError for an address or a name that cannot be one."""
        self.health = AdapterHealth()
        self._clock = clock
        self._radio: str = settings["radio"]
        self._on = ""  # the radio's name while it runs
        self._deaf_after_s: float = settings["deaf_after_s"]
        self._interval_s: float = settings["interval_s"]
        self._notify: bool = settings["notify"]
        self._notify_every_s: int = settings["notify_every_s"]
        self._sensors = listed_sensors(settings["sensors"])
        self._probes = checked_probes(settings["probes"], tuple(self._sensors.values()))
        self._peers: dict[str, _Peer] = {}
        self._inbox: RadioInbox[list[Reading]]

    def describe(self) -> str:
        """Say what this is connected to."""
        count = len(self._sensors)
        return f"Bluetooth connections to {count} sensor{'s' * (count != 1)} on {self._radio or 'the first radio'}"

    async def readings(self) -> AsyncIterator[Sequence[Reading]]:
        """Connect to each sensor, again and again, and give what they say.

        Raises LostDeviceError, RefusedError and TransientError when the radio cannot scan, and TransientError when
        nothing at all was heard for too long. A sensor that fails is counted and tried again, and fails no other.
        """
        self._inbox = RadioInbox(self.describe(), self.health, self._deaf_after_s)
        self._peers = {address: _Peer(address, sensor) for address, sensor in self._sensors.items()}
        async with listening(self._radio, self._listen, self._inbox.put) as self._on:
            following = [asyncio.create_task(self._follow(peer)) for peer in self._peers.values()]
            try:
                while True:
                    yield await self._inbox.next()
            finally:
                for task in following:
                    task.cancel()
                await asyncio.gather(*following, return_exceptions=True)

    def _listen(self, device: BLEDevice, advertisement: AdvertisementData) -> None:
        if advertisement.rssi == NO_RSSI:
            return
        now_s = self._inbox.sign()
        peer = self._peers.get(device.address.upper())
        if peer is not None:
            if now_s - peer.heard_s > GONE_S:
                peer.returned.set()
            peer.device, peer.rssi_dbm, peer.heard_s = device, advertisement.rssi, now_s
            peer.heard.set()

    async def _follow(self, peer: _Peer) -> None:
        """Be connected to a sensor whenever that is possible."""
        wait_s = FIRST_WAIT_S
        while True:
            device = await self._reachable(peer)
            began_s = asyncio.get_running_loop().time()
            try:
                await self._session(peer, device)
            except _FAILURES as error:
                what = str(error) or type(error).__name__
                self.health.reject(rejection(Why.NO_ANSWER, f"{peer.address}: {what}", peer.sensor))
            if asyncio.get_running_loop().time() - began_s > LONGEST_WAIT_S:
                wait_s = FIRST_WAIT_S
            peer.returned.clear()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(wait_s * random.uniform(0.5, 1.0)):  # noqa: S311 -- spreading, not secrecy
                    await peer.returned.wait()
            wait_s = FIRST_WAIT_S if peer.returned.is_set() else min(LONGEST_WAIT_S, wait_s * 2)

    async def _reachable(self, peer: _Peer) -> BLEDevice:
        """Wait until a sensor is heard, for the system forgets it soon after; or try it blindly after a while."""
        peer.heard.clear()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(UNHEARD_S):
                await peer.heard.wait()
        if peer.device is not None:
            return peer.device
        path = f"/org/bluez/{self._on}/dev_{peer.address.replace(':', '_')}"
        return BLEDevice(peer.address, None, {"path": path, "props": {}})

    async def _session(self, peer: _Peer, device: BLEDevice) -> None:
        """Connect, read and listen until something fails."""
        lost = asyncio.Event()
        client = BleakClient(device, disconnected_callback=lambda _: lost.set(), timeout=CONNECT_LIMIT_S)
        try:
            async with connecting(self._on), asyncio.timeout(CONNECT_LIMIT_S + 1):
                await cancellable(client.connect())
            wanted = await self._wanted(client, peer)
            if self._notify:
                await self._subscribe(client, wanted)
            while not lost.is_set():
                await self._read(client, peer, wanted)
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(self._interval_s):
                        await lost.wait()
            raise BleakError("the sensor ended the connection")
        finally:
            # Also when it is lost already: only this closes what bleak holds open for the session.
            with contextlib.suppress(*_FAILURES):
                await in_time(DISCONNECT_LIMIT_S, client.disconnect())

    async def _wanted(self, client: BleakClient, peer: _Peer) -> list[Probe]:
        """Find out what is read of a sensor, set it as the settings file wants, keep what it says of itself."""
        probes = await probes_of(client, peer.sensor, self._probes, CALL_LIMIT_S)
        wanted = [probe for probe in probes if probe.about.is_usable]
        if not wanted:
            raise BleakError("it has none of the characteristics that are read")
        if self._notify and self._notify_every_s:
            await ask_to_tell(client, wanted, self._notify_every_s, CALL_LIMIT_S)
        for key in peer.stated:
            self.health.stated.pop(key, None)
        said = {(probe.sensor, probe.meaning.quantity): probe.sentence() for probe in probes}
        peer.stated = tuple(key for key, sentence in said.items() if sentence)
        self.health.stated.update({key: said[key] for key in peer.stated})
        return wanted

    async def _subscribe(self, client: BleakClient, wanted: Sequence[Probe]) -> None:
        for one in wanted:
            if "notify" in one.characteristic.properties:

                def told(_: BleakGATTCharacteristic, data: bytearray, one: Probe = one) -> None:
                    self._put(self._value(one, bytes(data)))

                async with asyncio.timeout(CALL_LIMIT_S):
                    await cancellable(client.start_notify(one.characteristic, told))

    async def _read(self, client: BleakClient, peer: _Peer, wanted: Sequence[Probe]) -> None:
        batch: list[Reading] = []
        now_s = asyncio.get_running_loop().time()
        for one in wanted:
            if now_s < one.due_s:
                continue
            one.due_s = now_s + self._pause_s(one)
            async with asyncio.timeout(CALL_LIMIT_S):
                batch += self._value(one, bytes(await cancellable(client.read_gatt_char(one.characteristic))))
        signal = QUANTITIES["signal_dbm"]
        if batch and peer.rssi_dbm is not None and signal.minimum <= peer.rssi_dbm <= signal.maximum:
            batch.append(Reading(peer.sensor, signal.name, float(peer.rssi_dbm), batch[0].at_ms, Stamp.ARRIVAL))
            peer.rssi_dbm = None  # heard once, told once
        self._put(batch)

    def _pause_s(self, one: Probe) -> float:
        """Give for how long a probe need not be read: its device makes no new value sooner.

        Not for so long that a radio with nobody else to hear would pass for deaf; and a little less than told, for two
        clocks never agree.
        """
        renewed_s = one.about.measurement.renewed_s if one.about.measurement else None
        return min((renewed_s or 0) * _NEARLY, self._deaf_after_s / 2)

    def _value(self, one: Probe, data: bytes) -> list[Reading]:
        value = one.read(data)
        if isinstance(value, Rejection):
            self.health.reject(value)
        if value is None or isinstance(value, Rejection):
            return []
        return [Reading(one.sensor, one.meaning.quantity, value, self._clock.now_ms(), Stamp.ARRIVAL)]

    def _put(self, batch: list[Reading]) -> None:
        if batch:
            self._inbox.sign()
            self._inbox.put(batch)
