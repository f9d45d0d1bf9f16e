"""`lumberroom discover`: what is within reach on serial ports, on the air and at a broker, with live figures."""

from __future__ import annotations

import asyncio
import functools
import os
import sys
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from collections.abc import Iterator

    from adapters.discovery import Findings, Found, Way

PASSWORD_VARIABLE = "LUMBERROOM_MQTT_PASSWORD"  # noqa: S105 -- where it is, not what it is


@click.command(short_help="Show which sensors are within reach, with live figures.")
@click.option(
    "--seconds", type=click.FloatRange(1, 3600), default=30.0, show_default=True, help="For how long to look."
)
@click.option("--serial/--no-serial", default=True, help="Listen on serial ports that are free.")
@click.option("--bluetooth/--no-bluetooth", default=True, help="Listen to Bluetooth LE sensors.")
@click.option("--radio", default="", help='Which Bluetooth radio, such as "hci0"; the first unless given.')
@click.option("--broker", default="", help="Listen at this MQTT broker too.")
@click.option("--port", type=click.IntRange(1, 65535), default=None, help="Its port (1883, or 8883 with --tls).")
@click.option("--tls", is_flag=True, help="Encrypt the connection to the broker and check its certificate.")
@click.option("--ca-file", type=click.Path(dir_okay=False), default=None, help="The authority of its certificate.")
@click.option("--login", default=None, help=f"Login at the broker; the password is taken from {PASSWORD_VARIABLE}.")
@click.option("--topic", default="#", show_default=True, help="What to listen to at the broker.")
def discover(**options: Any) -> None:
    """Show which sensors are within reach, with live figures, and the lines of the wiring file that adopt them.

    Breathe on a sensor and see which figures move. Nothing is stored and nothing is sent; a serial port that the
    daemon has open is left to it. Sensors that are read by connection only are named, not read.
    """
    from adapters.discovery import Findings

    findings = Findings()
    asyncio.run(_look(findings, options))
    if sys.stdout.isatty():
        click.clear()
    for line in report(findings):
        click.echo(line)


async def _look(findings: Findings, options: dict[str, Any]) -> None:
    from adapters.discovery import look

    ways = _ways(options)
    showing = asyncio.create_task(_show(findings)) if sys.stdout.isatty() else None
    try:
        await look(findings, ways, options["seconds"])
    finally:
        if showing is not None:
            showing.cancel()
            await asyncio.gather(showing, return_exceptions=True)


def _ways(options: dict[str, Any]) -> list[Way]:
    from adapters.discovery_ways import at_a_broker, broker_of, on_serial_ports, on_the_air
    from ingest.clock import SystemClock

    clock = SystemClock()
    ways: list[Way] = []
    if options["serial"]:
        ways.append(functools.partial(on_serial_ports, clock=clock))
    if options["bluetooth"]:
        ways.append(functools.partial(on_the_air, clock=clock, radio=options["radio"]))
    if options["broker"]:
        broker = broker_of(_settings(options))
        ways.append(functools.partial(at_a_broker, clock=clock, broker=broker, topic=options["topic"]))
    return ways


def _settings(options: dict[str, Any]) -> dict[str, Any]:
    """Give the options of the broker as the settings of an adapter are."""
    return {
        "broker": options["broker"],
        "port": options["port"] or 0,
        "tls": options["tls"],
        "ca_file": options["ca_file"],
        "cert_file": None,
        "key_file": None,
        "version": "5",
        "login": options["login"],
        "password": os.environ.get(PASSWORD_VARIABLE) if options["login"] else None,
    }


async def _show(findings: Findings) -> None:
    """Draw what is found anew every second."""
    while True:
        click.clear()
        for found in findings.found.values():
            click.echo(line_of(found))
        click.echo("\nListening… breathe on a sensor to see which one it is.")
        await asyncio.sleep(1)


def line_of(found: Found) -> str:
    """Give what was found in a line: where, who, its figures and how they moved."""
    moved = found.moved()
    figures = [f"{_name(key)} {value:g}{_moved(moved[key])}" for key, value in found.figures.items()]
    note = f" ({found.note})" if found.note else ""
    return f"{found.way:9}  {found.address}  {found.sensor}: {', '.join(figures) or 'no figures yet'}{note}"


def _name(quantity: str) -> str:
    from adapters.contract import QUANTITIES

    known = QUANTITIES.get(quantity)
    return f"{known.title.lower()} [{known.unit}]" if known else quantity


def _moved(by: float) -> str:
    return f" ({by:+.3g})" if abs(by) > 1e-9 else ""


def report(findings: Findings) -> Iterator[str]:
    """Give all that was found, how to adopt it, and what could not be looked at."""
    for found in findings.found.values():
        yield line_of(found)
    if not findings.found:
        yield "Nothing was heard. Sensors that speak seldom need a longer look: --seconds 600"
    else:
        yield "\nTo adopt one, put its lines into lumberroom.toml, with names of your own, and its sensor into a room:"
        for wiring in dict.fromkeys(found.wiring for found in findings.found.values()):
            yield f"\n{wiring}"
    if findings.troubles:
        yield "\nNot looked at:"
        for trouble in findings.troubles.values():
            yield f"  - {trouble}"
