"""The ways of looking for sensors: on serial ports, on the air, at a broker. Each listens only.

None takes anything away from a running adapter: the radio's one scanner is shared, a port that an adapter is wired to
or that any program has open is left alone, and at a broker we are a client of our own that keeps no session.
"""

from __future__ import annotations

import asyncio
import re
import ssl
import uuid
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import aiomqtt
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from adapters.bluetooth_names import NO_RSSI
from adapters.bluetooth_radio import listening
from adapters.contract import AdapterError, AdapterHealth, RefusedError, SettingsError, WallClock
from adapters.discovery import AGAIN_S, NAME_IT, WHICH_ONE, Findings, Found
from adapters.framing.broadcasts import SERVICE_UUID, decode_broadcast, is_encrypted
from adapters.framing.senml import decode_pack
from adapters.framing.senml_records import Form
from adapters.framing.sensing import SENSING_SERVICE
from adapters.mqtt_link import Broker, ClosingSocket, Message, connected
from adapters.pack_lines import PackLines
from adapters.serial_port import held_by, open_port, ports_there

BAUDS: Final = (115_200, 9_600, 57_600, 19_200)
BAUD_TRIED_S: Final = 4.0
"""When something came at a speed and nothing readable was in it for so long, the next speed is tried."""
SILENT_TRIED_S: Final = 20.0
"""A port that says nothing is listened to for so long at each speed: many sensors speak every ten seconds."""
PORTS_LISTED_S: Final = 3.0
SAME_TOPIC_S: Final = 0.3
"""A topic is looked at no more often: a broker may carry thousands of messages a second."""
UNNAMED: Final = "unnamed"
_NUMBER: Final = re.compile(rb"\s*[+-]?\d{1,9}(\.\d{1,12})?\s*")

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
    try:
        while any_read or loop.time() < until_s:
            data, now_ms = await port.read(), clock.now_ms()
            if data and not any_came:
                any_came, until_s = True, loop.time() + BAUD_TRIED_S
            for reading in lines.feed(data, now_ms):
                any_read = True
                settings: dict[str, Any] = {"port": path, "baud": baud}
                if reading.sensor == UNNAMED:
                    settings["sensor"] = NAME_IT
                found = findings.at(Found("serial", path, reading.sensor, "serial_line", settings))
                if found is not None:
                    found.take([reading], now_ms)
    finally:
        await port.close()


async def on_the_air(findings: Findings, clock: WallClock, radio: str = "") -> None:
    """Listen to Bluetooth LE broadcasts, and for sensors that can be connected to."""

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

    async with listening(radio, heard) as name:
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
        found.note = "encrypted: its key belongs into keys_env or keys_file"
        found.lacks = "its key, which belongs into keys_env or keys_file"
    return found


def _connectable(device: BLEDevice, advertisement: AdvertisementData, radio: str) -> Found | None:
    if SENSING_SERVICE not in advertisement.service_uuids:
        return None
    name = plain(device.name) or device.address
    note = "read by connection, which is not done here"
    return Found("bluetooth", device.address, name, "bluetooth_sensing", _on_radio(device, radio), note)


async def at_a_broker(
    findings: Findings, clock: WallClock, broker: Broker, topic: str = "#", entry: Mapping[str, Any] | None = None
) -> None:
    """Listen to everything that a broker lets us hear: packs, and topics with plain numbers.

    entry: how an adapter is wired to this broker (its settings without topics); made from `broker` where missing.
    """
    ours = replace(broker, client_id=f"lumberroom-discover-{uuid.uuid4().hex[:8]}", keep_s=0)
    known = dict(entry) if entry is not None else _entry(broker)
    looked_s: dict[str, float] = {}
    loop = asyncio.get_running_loop()
    async with connected(ours, [topic], clock.now_ms) as link:
        findings.troubles.pop(str(broker), None)
        async for messages in link.messages():
            for message in messages:
                if loop.time() - looked_s.get(message.topic, -SAME_TOPIC_S) >= SAME_TOPIC_S:
                    if len(looked_s) > 5_000:
                        looked_s.clear()
                    looked_s[message.topic] = loop.time()
                    _heard_at_broker(findings, known, message)


def _entry(broker: Broker) -> dict[str, Any]:
    """Write down how an adapter is wired to a broker. A login's password must come from elsewhere."""
    entry: dict[str, Any] = {"broker": broker.host, "port": broker.port}
    if broker.tls:
        entry["tls"] = True
    if broker.protocol is not aiomqtt.ProtocolVersion.V5:
        entry["version"] = "3.1.1"
    return entry | ({"login": broker.login} if broker.login else {})


def _heard_at_broker(findings: Findings, entry: Mapping[str, Any], message: Message) -> None:
    note = "kept by the broker, of unknown age" if message.retained else ""
    if _NUMBER.fullmatch(message.payload):
        settings = {**entry, "numbers": {message.topic: {"sensor": NAME_IT, "quantity": WHICH_ONE}}}
        fresh = Found("mqtt", message.topic, message.topic, "mqtt_topics", settings, note or "a plain number")
        if (found := findings.at(fresh)) is not None:
            found.take([], message.at_ms)
            found.put("number", float(message.payload), message.at_ms)
        return
    settings = {**entry, "topics": [message.topic]}
    readings = decode_pack(message.payload, message.at_ms, form=Form.EITHER, default_sensor=UNNAMED).readings
    for sensor in dict.fromkeys(reading.sensor for reading in readings):
        named = settings | ({"sensor": NAME_IT} if sensor == UNNAMED else {})
        found = findings.at(Found("mqtt", message.topic, sensor, "mqtt_topics", named, note))
        if found is not None:
            found.take([reading for reading in readings if reading.sensor == sensor], message.at_ms)


def broker_of(settings: Mapping[str, Any]) -> Broker:
    """Give the broker that the checked settings of an adapter (kind mqtt_topics) name. Blocks: it reads certificates.

    Raises SettingsError when these cannot be read.
    """
    return Broker(
        host=settings["broker"],
        port=settings["port"] or (8883 if settings["tls"] else 1883),
        client_id="lumberroom-discover",
        protocol=aiomqtt.ProtocolVersion.V311 if settings["version"] == "3.1.1" else aiomqtt.ProtocolVersion.V5,
        keepalive_s=15,
        keep_s=0,
        tls=_tls(settings) if settings["tls"] else None,
        login=settings["login"],
        password=settings["password"],
    )


def _tls(settings: Mapping[str, Any]) -> ssl.SSLContext:
    try:
        context = ssl.create_default_context(cafile=settings["ca_file"])
        if settings["cert_file"]:
            context.load_cert_chain(settings["cert_file"], settings["key_file"])
    except OSError as error:
        files = ", ".join(settings[key] for key in ("ca_file", "cert_file", "key_file") if settings[key])
        raise SettingsError(
            f"it cannot be read ({error})", where=files, mend="Name files in PEM form that may be read"
        ) from error
    context.sslsocket_class = ClosingSocket
    return context


def plain(text: str | None) -> str:
    """Give a name that came over the air in characters that cannot steer a terminal."""
    return "".join(c for c in (text or "")[:60] if c.isprintable())
