"""The ways of looking for sensors on serial ports and on the air (at a broker: `discovery_broker`).

None takes anything away from a running adapter: the radio's one scanner is shared, a sensor that an adapter connects to
is not connected to, and a port that an adapter is wired to or that any program has open is left alone.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Collection, Sequence
from pathlib import Path
from typing import Any, Final

from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from adapters.bluetooth_names import NO_RSSI
from adapters.bluetooth_radio import listening
from adapters.contract import AdapterError, AdapterHealth, RefusedError, WallClock
from adapters.discovery import AGAIN_S, NAME_IT, UNNAMED, Findings, Found
from adapters.discovery_connections import Connections
from adapters.framing.broadcasts import SERVICE_UUID, decode_broadcast, is_encrypted
from adapters.framing.sensing import SENSING_SERVICE
from adapters.pack_lines import PackLines
from adapters.serial_port import held_by, open_port, ports_there

BAUDS: Final = (115_200, 9_600, 57_600, 19_200)
BAUD_TRIED_S: Final = 4.0
"""When something came at a speed and nothing readable was in it for so long, the next speed is tried."""
SILENT_TRIED_S: Final = 20.0
"""A port that says nothing is listened to for so long at each speed: many sensors speak every ten seconds."""
PORTS_LISTED_S: Final = 3.0
CONNECTED_KIND: Final = "bluetooth_sensing"

Ports = Callable[[], Sequence[str]]


async def on_serial_ports(
    findings: Findings, clock: WallClock, ports: Ports = ports_there, wired: Collection[str] = ()
) -> None:
    """Listen on every serial port that is free, those that are plugged in meanwhile too.

    ports: lists those there are.  wired: ports that belong to adapters; they are never opened.
    """
    ours = {_real(path) for path in wired}
    listening_on: dict[str, asyncio.Task[None]] = {}
    try:
        while True:
            there = await asyncio.to_thread(ports)
            for path in there:
                if _real(path) not in ours and (path not in listening_on or listening_on[path].done()):
                    _raise_bug(listening_on.get(path))
                    listening_on[path] = asyncio.create_task(_on_port(findings, path, clock))
            await asyncio.sleep(PORTS_LISTED_S)
    finally:
        for task in listening_on.values():
            task.cancel()
        await asyncio.gather(*listening_on.values(), return_exceptions=True)


def _real(path: str) -> str:
    return str(Path(path).resolve())


def _raise_bug(task: asyncio.Task[None] | None) -> None:
    if task is not None:
        task.result()


async def _on_port(findings: Findings, path: str, clock: WallClock) -> None:
    """Listen on a port, at one speed after the other, until it is gone; then rest, lest it be tried all the time."""
    try:
        while True:
            for baud in BAUDS:
                holder = await asyncio.to_thread(held_by, path)
                if holder:
                    raise RefusedError(
                        f"it is left to {holder}, which has it open", where=path, mend="End that one to look here"
                    )
                await _at_speed(findings, path, baud, clock)
    except AdapterError as error:
        findings.cannot(error)
        await asyncio.sleep(AGAIN_S)


async def _at_speed(findings: Findings, path: str, baud: int, clock: WallClock) -> None:
    """Listen at one speed: for ever once something was read, else for a while."""
    loop = asyncio.get_running_loop()
    lines = PackLines({"sensor": UNNAMED, "prefix": "", "allow": None}, AdapterHealth())
    until_s, any_read, any_came = loop.time() + SILENT_TRIED_S, False, False
    port = await open_port(path, baud)
    findings.troubles.pop(path, None)
    findings.unread.setdefault(path, f"it has said nothing so far at {baud} baud")
    try:
        while any_read or loop.time() < until_s:
            data, now_ms = await port.read(), clock.now_ms()
            if data and not any_came:
                any_came, until_s = True, loop.time() + BAUD_TRIED_S
            for reading in lines.feed(data, now_ms):
                any_read = True
                findings.unread.pop(path, None)
                settings: dict[str, Any] = {"port": path, "baud": baud}
                if reading.sensor == UNNAMED:
                    settings["sensor"] = NAME_IT
                found = findings.at(Found("serial", path, reading.sensor, "serial_line", settings))
                if found is not None:
                    found.take([reading], now_ms)
    finally:
        await port.close()
    findings.unread[path] = f"{'no SenML line in what it says' if any_came else 'it says nothing'} at {baud} baud"


async def on_the_air(
    findings: Findings, clock: WallClock, radio: str = "", *, connecting: bool = True, wired: Collection[str] = ()
) -> None:
    """Listen to Bluetooth LE broadcasts, and for sensors that can be connected to.

    connecting: whether these are connected to for their figures.  wired: addresses that adapters connect to; they are
    left to them.
    """
    connections, ours = Connections(clock, radio), {address.upper() for address in wired}

    def heard(device: BLEDevice, advertisement: AdvertisementData) -> None:
        if advertisement.rssi == NO_RSSI:
            return
        fresh = _broadcasting(device, advertisement, radio) or _connectable(device, advertisement, radio)
        found = findings.at(fresh) if fresh else None
        if found is None:
            return
        now_ms = clock.now_ms()
        payload = advertisement.service_data.get(SERVICE_UUID, b"")
        found.take(decode_broadcast(payload, found.sensor, now_ms).readings, now_ms)
        found.put("signal_dbm", float(advertisement.rssi), now_ms)
        if connecting and found.kind == CONNECTED_KIND and found.address.upper() not in ours:
            connections.heard(found)

    async with listening(radio, heard) as name, connections.asking():
        for where in (name, radio or "(the first)"):
            findings.troubles.pop(f"Bluetooth radio {where}", None)
        await asyncio.Event().wait()


def _on_radio(device: BLEDevice, radio: str) -> dict[str, Any]:
    return {"sensors": {device.address: NAME_IT}} | ({"radio": radio} if radio else {})


def _broadcasting(device: BLEDevice, advertisement: AdvertisementData, radio: str) -> Found | None:
    payload = advertisement.service_data.get(SERVICE_UUID)
    if payload is None:
        return None
    found = Found(
        "bluetooth",
        device.address,
        plain(device.name) or device.address,
        "bluetooth_broadcasts",
        _on_radio(device, radio),
    )
    if is_encrypted(payload):
        found.note = "encrypted"
        found.lacks = (
            f"its key: a line in the file that keys_file names, {device.address} and the key's 32 hexadecimal digits"
        )
        found.settings = {**found.settings, "keys_file": "bluetooth.keys"}
    return found


def _connectable(device: BLEDevice, advertisement: AdvertisementData, radio: str) -> Found | None:
    if SENSING_SERVICE not in advertisement.service_uuids:
        return None
    name = plain(device.name) or device.address
    note = "read by connection"
    return Found("bluetooth", device.address, name, CONNECTED_KIND, _on_radio(device, radio), note)


def plain(text: str | None) -> str:
    """Give a name that came over the air in characters that cannot steer a terminal."""
    return "".join(c for c in (text or "")[:60] if c.isprintable())
