"""Looking for sensors, over a real pty, a real D-Bus daemon with the look-alike of BlueZ, and a real broker."""

from __future__ import annotations

import asyncio
import os
import signal
import ssl
import sys
import tomllib
from pathlib import Path
from typing import Any

import aiomqtt
import click.testing
import pytest

from adapters import discovery, discovery_broker, discovery_ways
from adapters.discovery import Findings, Found, look
from adapters.discovery_broker import at_a_broker
from adapters.discovery_ways import on_serial_ports, on_the_air
from adapters.framing.sensing import SENSING_SERVICE
from adapters.mqtt_link import Broker, Message
from adapters.mqtt_topics import MqttTopics
from adapters.registry import check_settings, kinds
from ingest.cli.commands.discover import discover, line_of, report
from ingest.cli.main import main
from ingest.clock import SystemClock

CLOCK = SystemClock()
DEVICE = "org.bluez.Device1"
LOFT, CELLAR, PROBE = "A4:C1:38:00:00:01", "A4:C1:38:00:00:02", "A4:C1:38:00:00:03"


async def while_looking(findings: Findings, way: Any, act: Any, seconds: float = 20.0) -> None:
    """Look until `act` has done."""
    looking = asyncio.create_task(look(findings, [way], seconds))
    try:
        await asyncio.wait_for(act, seconds)
    finally:
        looking.cancel()
        await asyncio.gather(looking, return_exceptions=True)


async def test_serial_ports_are_listened_to_until_something_speaks(device: Any, until: Any) -> None:
    """The port, the sensor's own name, its figures, and how they moved when somebody breathed on it."""
    await device.plug()
    findings = Findings()

    async def act() -> None:
        await device.opened()
        for value in (47, 63):
            await device.send(b'[{"n":"loft/humidity","u":"%%RH","v":%d}]\n' % value)
        await until(lambda: any(found.heard == 2 for found in findings.found.values()))

    await while_looking(findings, lambda f: on_serial_ports(f, CLOCK, lambda: [str(device.path), "/dev/none"]), act())
    (found,) = findings.found.values()
    assert (found.way, found.address, found.sensor) == ("serial", str(device.path), "loft")
    assert found.moved() == {"rh_percent": 16.0}
    assert "relative humidity [%] 63 (+16)" in line_of(found)


async def test_a_port_that_cannot_be_opened_is_a_trouble_of_its_own() -> None:
    """What could not be looked at is said, and ends nothing else."""
    findings = Findings()
    await look(findings, [lambda f: on_serial_ports(f, CLOCK, lambda: ["/dev/none"])], 1)
    assert "/dev/none: there is no such serial port" in findings.troubles["/dev/none"]


async def test_radios_hear_broadcasts_encrypted_ones_and_sensors_to_connect_to(bluez: Any, until: Any) -> None:
    """Each is told apart, with its signal; other devices nearby are not shown."""
    findings = Findings()

    async def act() -> None:
        await until(lambda: bluez.sessions)
        bluez.advertise(LOFT, bytes.fromhex("4002c40903bf13"), rssi=-60)
        bluez.advertise(CELLAR, bytes.fromhex("41a47266c95f730011223378237214"))
        bluez.advertise("C0:FF:EE:00:00:01", None)
        bluez.advertise(PROBE, None)
        path = f"/org/bluez/hci0/dev_{PROBE.replace(':', '_')}"
        bluez.change(path, {"UUIDs": [SENSING_SERVICE], "RSSI": -70})
        bluez.advertise(LOFT, bytes.fromhex("4002280a03bf13"), rssi=-50)
        await until(lambda: len(findings.found) == 3)

    await while_looking(findings, lambda f: on_the_air(f, CLOCK), act())
    found = {one.address: one for one in findings.found.values()}
    assert found[LOFT].figures == {"temperature_c": 26.0, "rh_percent": 50.55, "signal_dbm": -50.0}
    assert found[LOFT].moved() == {"temperature_c": 1.0, "rh_percent": 0.0, "signal_dbm": 10.0}
    assert "encrypted" in found[CELLAR].note
    assert "by connection" in found[PROBE].note


async def test_a_broker_is_listened_to(mosquitto: Any, until: Any) -> None:
    """Packs by their sensors, and topics with plain numbers."""
    settings = mosquitto.settings
    context = ssl.create_default_context(cafile=settings["ca_file"])
    login = {"login": settings["login"], "password": settings["password"]}
    broker = Broker("127.0.0.1", mosquitto.port, "x", aiomqtt.ProtocolVersion.V5, 15, 0, context, **login)
    findings = Findings()

    async def act() -> None:
        async with mosquitto.publisher() as publisher:
            while len(findings.found) < 3:
                await publisher.publish("climate/loft", b'[{"n":"loft/humidity","u":"%RH","v":47}]')
                await publisher.publish("house/t", b"21.5")
                await publisher.publish("house/noise", b"hello")
                await publisher.publish("house/list", b"[1, 2]")
                await publisher.publish("house/up/state", b'{"air": {"t": 21.5, "rh~/": "47"}, "on": true, "id": "x"}')
                await asyncio.sleep(0.05)

    await while_looking(findings, lambda f: at_a_broker(f, CLOCK, broker), act())
    assert {(one.address, one.sensor): one.figures for one in findings.found.values()} == {
        ("climate/loft", "loft"): {"rh_percent": 47.0},
        ("house/t", "house/t"): {"number": 21.5},
        ("house/up/state", "house/up/state"): {"/air/t": 21.5, "/air/rh~0~1": 47.0},
    }


async def test_what_is_proposed_for_a_document_becomes_an_adapter_once_its_numbers_are_told(
    mosquitto: Any, until: Any, listen: Any
) -> None:
    """The lines as they go into the settings file, with a name and what the numbers are, read the topic; a number of
    which nothing is said is left out."""
    message = Message("house/up/state", b'{"air": {"t": 21.5, "rh": 47.2}, "id": 7}', 0, False, False, 0, 0)
    findings = Findings()
    discovery_broker._heard_at_broker(findings, {}, message)
    (found,) = findings.found.values()
    assert discovery.pointers_of(found.settings) == ("/air/t", "/air/rh", "/id")
    told = discovery.told_of(found.settings, {"/air/t": "temperature_c", "/air/rh": "rh_percent", "/id": ""})
    lines = discovery.entry_text("loft", found.kind, discovery.filled(told, sensor="loft", quantity=""))
    (entry,) = tomllib.loads(lines)["adapter"]
    settings = mosquitto.settings | {"documents": entry["documents"], "topics": []}
    heard = listen(MqttTopics(check_settings(MqttTopics, settings), CLOCK))
    async with mosquitto.publisher() as publisher:
        async with asyncio.timeout(10):
            while not heard.readings:
                await publisher.publish(message.topic, message.payload, qos=1)
                await asyncio.sleep(0.05)
    await heard.stop()
    assert {(r.sensor, r.quantity, r.value) for r in heard.readings} == {
        ("loft", "temperature_c", 21.5), ("loft", "rh_percent", 47.2),
    }  # fmt: skip


@pytest.mark.parametrize("payload", [b"{", b"[1]", b"{}", b'{"a": NaN}', b"{" + b" " * 30_000 + b"}", b'{"a": 1e300}',
                                     b'{"a":' * 5_000, b'{"a": true, "b": "x", "\\u0007": 1}'])  # fmt: skip
def test_what_is_no_document_with_numbers_is_none(payload: bytes) -> None:
    """Torn, empty, too long, too deep, without a number that could be a reading."""
    assert list(discovery_broker._numbers_in(payload)) == []


async def test_sensors_to_connect_to_are_asked_for_their_figures(bluez: Any, until: Any) -> None:
    """Two alike: each shows its own figures and battery, so that one knows which is which; one that an adapter has is
    left to it."""
    battery = "0000180f-0000-1000-8000-00805f9b34fb"
    others = {PROBE: b"\x66\x08", LOFT: b"\x98\x08", CELLAR: b"\x00\x08"}
    for address, value in others.items():
        bluez.gatt[address] = [
            (SENSING_SERVICE, "00002a6e-0000-1000-8000-00805f9b34fb", ["read"], value),
            (battery, "00002a19-0000-1000-8000-00805f9b34fb", ["read"], b"\x5f"),
        ]
    findings = Findings()

    async def act() -> None:
        await until(lambda: bluez.sessions)
        for address in others:
            bluez.advertise(address, None)
            bluez.change(f"/org/bluez/hci0/dev_{address.replace(':', '_')}", {"UUIDs": [SENSING_SERVICE]})
        while sum("temperature_c" in one.figures for one in findings.found.values()) < 2:
            for address in others:  # a device that is connected to does not advertise
                if not bluez.objects[f"/org/bluez/hci0/dev_{address.replace(':', '_')}"][DEVICE]["Connected"]:
                    bluez.advertise(address, None)
            await asyncio.sleep(0.05)

    await while_looking(findings, lambda f: on_the_air(f, CLOCK, wired=[CELLAR.lower()]), act())
    figures = {one.address: one.figures for one in findings.found.values()}
    assert figures[PROBE] == {"signal_dbm": -60.0, "temperature_c": 21.5, "battery_percent": 95.0}
    assert figures[LOFT]["temperature_c"] == 22.0
    assert set(figures[CELLAR]) == {"signal_dbm"}
    assert bluez.calls.count("Connect") == 2
    assert bluez.calls.count("Disconnect") == 2


async def test_what_is_proposed_for_the_wiring_file_is_a_piece_of_one(bluez: Any, until: Any) -> None:
    """The lines are TOML, of a kind that exists, with the address in them; nasty names do not get in."""
    findings = Findings()

    async def act() -> None:
        await until(lambda: bluez.sessions)
        bluez.advertise(LOFT, bytes.fromhex("4002c409"))
        await until(lambda: findings.found)

    await while_looking(findings, lambda f: on_the_air(f, CLOCK), act())
    (entry,) = tomllib.loads(next(iter(findings.found.values())).wiring)["adapter"]
    assert entry["type"] in kinds()
    assert entry["sensors"] == {LOFT: "NAME IT"}
    assert discovery_ways.plain("a\x1b[31m\nb") == "a[31mb"
    odd = discovery.entry_text("x", "mqtt_topics", {"topics": ['"]\nevil = 1', "\x7f😀"]})
    assert tomllib.loads(odd)["adapter"][0]["topics"] == ['"]\nevil = 1', "\x7f😀"]


def test_strangers_do_not_grow_memory() -> None:
    """Of a thousand addresses that change all the time only so many are kept."""
    findings = Findings()
    kept = [findings.at(Found("bluetooth", str(number), "x")) for number in range(1000)]
    assert sum(found is not None for found in kept) == len(findings.found) == discovery.MOST_FOUND


def test_the_command_says_when_nothing_was_heard_and_what_it_could_not_look_at() -> None:
    """Without anything to look at it ends well, with what to do."""
    result = click.testing.CliRunner().invoke(discover, ["--no-serial", "--no-bluetooth", "--seconds", "1"])
    assert result.exit_code == 0, result.output
    assert "There are no readings. Sensors that speak seldom need a longer look" in result.output


async def test_ctrl_c_ends_the_looking_and_shows_how_to_assign(device: Any, tmp_path: Path) -> None:
    """Whoever has seen enough gets the report at once, and it is no failure; a port of one's own is looked at."""
    await device.plug()
    # Whoever runs the tests in the background of a shell has Ctrl+C ignored, and that is inherited.
    words = ["env", "--default-signal=INT", sys.executable, "-m", "ingest.cli.main"]
    words += ["discover", "--no-bluetooth", "--seconds", "60"]
    asked = await asyncio.create_subprocess_exec(
        *words, "--serial-port", str(device.path), stdout=asyncio.subprocess.PIPE, env=dict(os.environ)
    )
    await device.opened()
    await device.send(b'[{"n":"loft/humidity","u":"%RH","v":47}]\n')
    await asyncio.sleep(0.5)
    asked.send_signal(signal.SIGINT)
    async with asyncio.timeout(10):
        told, _ = await asked.communicate()
    assert asked.returncode == 0
    assert f"serial     {device.path}  loft: relative humidity [%] 47" in told.decode()
    assert 'type = "serial_line"' in told.decode()
    assert '[[room.sensor]]\nid = "loft"' in told.decode()


def test_a_login_needs_its_password_where_it_is_looked_for() -> None:
    """Its place is named instead of a refusal by the broker."""
    words = ["discover", "--no-serial", "--no-bluetooth", "--broker", "x", "--login", "me", "--seconds", "1"]
    result = click.testing.CliRunner(env={"LUMBERROOM_MQTT_PASSWORD": ""}).invoke(main, words)
    assert result.exit_code == 2
    assert "LUMBERROOM_MQTT_PASSWORD" in result.stderr


def test_a_port_on_which_nothing_can_be_read_is_told_with_what_may_be_the_matter() -> None:
    """Silence and noise are two clauses, and devices that must be asked are thought of."""
    text = "\n".join(report(Findings(unread={"/dev/x": "it says nothing at 9600 baud"})))
    assert "/dev/x: it says nothing at 9600 baud" in text
    assert "lumberroom adapters serial_poll" in text


def test_the_report_tells_how_to_assign_each_once() -> None:
    """Two sensors of one port are one adapter."""
    findings = Findings(troubles={"hci0": "hci0: there is none. Plug a radio in"})
    for sensor in ("a", "b"):
        found = findings.at(Found("serial", "/dev/x", sensor, "serial_line", {"port": "/dev/x"}))
        assert found is not None
    text = "\n".join(report(findings))
    assert text.count("[[adapter]]") == 1
    assert "Not looked at:\n  - hci0: there is none" in text


@pytest.mark.parametrize("payload", [b"21.5", b" -3 ", b"+7.25"])
def test_numbers_are_known_as_such(payload: bytes) -> None:
    """As they stand on topics."""
    assert discovery_broker._NUMBER.fullmatch(payload)
