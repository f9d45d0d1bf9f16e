"""Looking for sensors, over a real pty, a real D-Bus daemon with the look-alike of BlueZ, and a real broker."""

from __future__ import annotations

import asyncio
import ssl
import tomllib
from typing import Any

import aiomqtt
import click.testing
import pytest

from adapters import discovery, discovery_ways
from adapters.discovery import Findings, Found, look
from adapters.discovery_ways import at_a_broker, on_serial_ports, on_the_air
from adapters.framing.sensing import SENSING_SERVICE
from adapters.mqtt_link import Broker
from adapters.registry import kinds
from ingest.cli.discover import discover, line_of, report
from ingest.clock import SystemClock

CLOCK = SystemClock()
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
            while len(findings.found) < 2:
                await publisher.publish("climate/loft", b'[{"n":"loft/humidity","u":"%RH","v":47}]')
                await publisher.publish("house/t", b"21.5")
                await publisher.publish("house/noise", b"hello")
                await asyncio.sleep(0.05)

    await while_looking(findings, lambda f: at_a_broker(f, CLOCK, broker), act())
    assert {(one.address, one.sensor): one.figures for one in findings.found.values()} == {
        ("climate/loft", "loft"): {"rh_percent": 47.0},
        ("house/t", "house/t"): {"number": 21.5},
    }


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
    assert "Nothing was heard. Sensors that speak seldom need a longer look" in result.output


def test_the_report_tells_how_to_adopt_each_once() -> None:
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
    assert discovery_ways._NUMBER.fullmatch(payload)
