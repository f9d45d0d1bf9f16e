"""Looks for sensors within reach: on serial ports, on the air, at a broker. It listens only; nothing is stored.

What it finds are `Found`s that change while one watches, so that breathing on a sensor shows which one it is; each
knows the lines of the wiring file by which it is adopted.
"""

from __future__ import annotations

import asyncio
import json
import re
import uuid
from collections.abc import Awaitable, Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import aiomqtt
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from adapters.bluetooth_names import NO_RSSI
from adapters.bluetooth_radio import listening
from adapters.contract import AdapterError, AdapterHealth, Reading, WallClock
from adapters.framing.broadcasts import SERVICE_UUID, decode_broadcast, is_encrypted
from adapters.framing.senml import decode_pack
from adapters.framing.senml_records import Form
from adapters.framing.sensing import SENSING_SERVICE
from adapters.mqtt_link import Broker, Message, connected
from adapters.pack_lines import PackLines
from adapters.serial_port import open_port, ports_there

MOST_FOUND: Final = 500
"""No more than so many are shown: strangers' radios change their addresses all the time."""
BAUDS: Final = (115_200, 9_600, 57_600, 19_200)
BAUD_TRIED_S: Final = 4.0
_NUMBER: Final = re.compile(rb"\s*[+-]?\d{1,9}(\.\d{1,12})?\s*")


@dataclass(slots=True)
class Found:
    """Something within reach.  figures: newest value by quantity.  first: the first ones.  wiring: how to adopt it."""

    way: str  # "serial", "bluetooth", "mqtt"
    address: str
    sensor: str
    wiring: str
    note: str = ""
    figures: dict[str, float] = field(default_factory=dict)
    first: dict[str, float] = field(default_factory=dict)
    heard: int = 0

    def take(self, readings: Iterable[Reading]) -> None:
        """Keep the newest figures."""
        for reading in readings:
            self.figures[reading.quantity] = reading.value
            self.first.setdefault(reading.quantity, reading.value)
        self.heard += 1

    def moved(self) -> dict[str, float]:
        """Give by how much each figure differs from the first one."""
        return {quantity: value - self.first[quantity] for quantity, value in self.figures.items()}


@dataclass(slots=True)
class Findings:
    """All that was found, and what could not be looked at, a sentence each."""

    found: dict[tuple[str, str], Found] = field(default_factory=dict)
    troubles: list[str] = field(default_factory=list)

    def at(self, fresh: Found) -> Found | None:
        """Give the one of that address and name, taken in if it is new; None when there are too many."""
        key = (fresh.way, f"{fresh.address} {fresh.sensor}")
        if key not in self.found and len(self.found) >= MOST_FOUND:
            return None
        return self.found.setdefault(key, fresh)


async def look(findings: Findings, ways: Sequence[Callable[[Findings], Awaitable[None]]], seconds: float) -> None:
    """Look in several ways at once for some time; what fails in one becomes a trouble, and the others go on."""

    async def one(way: Callable[[Findings], Awaitable[None]]) -> None:
        try:
            await way(findings)
        except AdapterError as error:
            findings.troubles.append(str(error))

    tasks = [asyncio.create_task(one(way)) for way in ways]
    try:
        await asyncio.wait(tasks, timeout=seconds) if tasks else None
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


async def on_serial_ports(findings: Findings, clock: WallClock, ports: Sequence[str] | None = None) -> None:
    """Listen on every serial port that is free, at one speed after the other until something can be read."""
    paths = await asyncio.to_thread(ports_there) if ports is None else ports
    outcomes = await asyncio.gather(*(_on_port(findings, path, clock) for path in paths), return_exceptions=True)
    for outcome in outcomes:
        if isinstance(outcome, AdapterError):
            findings.troubles.append(str(outcome))
        elif isinstance(outcome, BaseException):
            raise outcome


async def _on_port(findings: Findings, path: str, clock: WallClock) -> None:
    while True:
        for baud in BAUDS:
            await _at_speed(findings, path, baud, clock)


async def _at_speed(findings: Findings, path: str, baud: int, clock: WallClock) -> None:
    """Listen at one speed: for ever once something was read, else for a while."""
    loop = asyncio.get_running_loop()
    lines = PackLines({"sensor": "unnamed", "prefix": "", "allow": None}, AdapterHealth())
    wiring = _wiring("serial_line", port=path, baud=baud)
    began_s, any_read = loop.time(), False
    port = await open_port(path, baud)
    try:
        while any_read or loop.time() - began_s < BAUD_TRIED_S:
            for reading in lines.feed(await port.read(), clock.now_ms()):
                any_read = True
                if (found := findings.at(Found("serial", path, reading.sensor, wiring))) is not None:
                    found.take([reading])
    finally:
        await port.close()


async def on_the_air(findings: Findings, clock: WallClock, radio: str = "") -> None:
    """Listen to Bluetooth LE broadcasts, and for sensors that can be connected to."""

    def heard(device: BLEDevice, advertisement: AdvertisementData) -> None:
        if advertisement.rssi == NO_RSSI:
            return
        fresh = _broadcasting(device, advertisement) or _connectable(device, advertisement)
        found = findings.at(fresh) if fresh else None
        if found is None:
            return
        payload = advertisement.service_data.get(SERVICE_UUID, b"")
        found.take(decode_broadcast(payload, found.sensor, clock.now_ms()).readings)
        found.figures["signal_dbm"] = float(advertisement.rssi)
        found.first.setdefault("signal_dbm", float(advertisement.rssi))

    async with listening(radio, heard):
        await asyncio.Event().wait()


def _broadcasting(device: BLEDevice, advertisement: AdvertisementData) -> Found | None:
    payload = advertisement.service_data.get(SERVICE_UUID)
    if payload is None:
        return None
    name = _plain(device.name) or device.address
    wiring = _wiring("bluetooth_broadcasts", sensors={device.address: "NAME IT"})
    note = "encrypted: its key belongs into keys_env or keys_file" if is_encrypted(payload) else ""
    return Found("bluetooth", device.address, name, wiring, note)


def _connectable(device: BLEDevice, advertisement: AdvertisementData) -> Found | None:
    if SENSING_SERVICE not in advertisement.service_uuids:
        return None
    wiring = _wiring("bluetooth_sensing", sensors={device.address: "NAME IT"})
    name = _plain(device.name) or device.address
    return Found("bluetooth", device.address, name, wiring, "read by connection, which is not done here")


async def at_a_broker(findings: Findings, clock: WallClock, broker: Broker, topic: str = "#") -> None:
    """Listen to everything that a broker lets us hear: packs, and topics with plain numbers."""
    ours = replace(broker, client_id=f"lumberroom-discover-{uuid.uuid4().hex[:8]}", keep_s=0)
    async with connected(ours, [topic], clock.now_ms) as link:
        async for messages in link.messages():
            for message in messages:
                _heard_at_broker(findings, broker, message)


def _heard_at_broker(findings: Findings, broker: Broker, message: Message) -> None:
    tls = {"tls": True} if broker.tls else {}
    version = {} if broker.protocol is aiomqtt.ProtocolVersion.V5 else {"version": "3.1.1"}
    if _NUMBER.fullmatch(message.payload):
        numbers = {message.topic: {"sensor": "NAME IT", "quantity": "WHICH ONE"}}
        wiring = _wiring("mqtt_topics", broker=broker.host, port=broker.port, **tls, **version, numbers=numbers)
        found = findings.at(Found("mqtt", message.topic, message.topic, wiring, "a plain number"))
        if found is not None:
            value = float(message.payload)
            found.take([])
            found.figures["number"] = value
            found.first.setdefault("number", value)
        return
    wiring = _wiring("mqtt_topics", broker=broker.host, port=broker.port, **tls, **version, topics=[message.topic])
    for reading in decode_pack(message.payload, message.at_ms, form=Form.EITHER).readings:
        found = findings.at(Found("mqtt", message.topic, reading.sensor, wiring))
        if found is not None:
            found.take([reading])


def _plain(text: str | None) -> str:
    """Give a name that came over the air in characters that cannot steer a terminal."""
    return "".join(c for c in (text or "")[:60] if c.isprintable())


def _wiring(kind: str, **settings: object) -> str:
    """Write the lines of the wiring file for an adapter."""
    lines = [f"{key} = {_toml(value)}" for key, value in settings.items()]
    return "\n".join(["[[adapter]]", 'name = "NAME IT"', f'type = "{kind}"', *lines])


def _toml(value: object) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{json.dumps(key)} = {_toml(one)}" for key, one in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(one) for one in value) + "]"
    return json.dumps(value)  # texts, numbers and truths are written alike in both
