"""`lumberroom discover`: what is within reach on serial ports, on the air and at a broker, with live figures."""

from __future__ import annotations

import asyncio
import contextlib
import functools
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

if TYPE_CHECKING:
    from collections.abc import Iterator

    from adapters.discovery import Findings, Found, Way

COMMAND: Final = ("discover", 70, "Find sensors near this computer, with live figures.")

PASSWORD_VARIABLE = "LUMBERROOM_MQTT_PASSWORD"  # noqa: S105 -- where it is, not what it is


@click.command(short_help="Find sensors near this computer, with live figures.")
@click.option(
    "--seconds", type=click.FloatRange(1, 3600), default=30.0, show_default=True, help="For how long to look."
)
@click.option("--serial/--no-serial", default=True, help="Listen on serial ports that are free.")
@click.option(
    "--serial-port",
    "serial_ports",
    multiple=True,
    help="A port that is not found by itself; may be given several times.",
)
@click.option("--bluetooth/--no-bluetooth", default=True, help="Listen to Bluetooth LE sensors.")
@click.option(
    "--connect/--no-connect",
    default=True,
    help="Connect to Bluetooth sensors that say nothing before.",
)
@click.option("--radio", default="", help='Which Bluetooth radio, such as "hci0"; the first unless given.')
@click.option("--broker", default="", help="Listen at this MQTT broker too.")
@click.option("--port", type=click.IntRange(1, 65535), default=None, help="Its port (1883, or 8883 with --tls).")
@click.option("--tls", is_flag=True, help="Encrypt the connection to the broker and check its certificate.")
@click.option("--ca-file", type=click.Path(dir_okay=False), default=None, help="The authority of its certificate.")
@click.option("--login", default=None, help=f"Login at the broker; the password is taken from {PASSWORD_VARIABLE}.")
@click.option("--topic", default="#", show_default=True, help="What to listen to at the broker.")
def discover(**options: Any) -> None:
    """Find sensors near this computer, with live figures, and the lines of the settings file that assign them.

    Breathe on a sensor and see which figures move: it is marked. End with Ctrl+C when you have seen enough. Nothing is
    stored; a serial port that the daemon has open is left to it. A device on a serial line that answers only when it is
    asked (serial_poll, Modbus) cannot be found by listening.
    """
    from adapters.discovery import Findings

    findings = Findings()
    ways = _ways(options)
    with contextlib.suppress(KeyboardInterrupt):  # that is how one says that one has seen enough
        asyncio.run(_look(findings, ways, options["seconds"]))
    if sys.stdout.isatty():
        click.clear()
    for line in report(findings):
        click.echo(line)


async def _look(findings: Findings, ways: list[Way], seconds: float) -> None:
    from adapters.discovery import look

    showing = asyncio.create_task(_show(findings)) if sys.stdout.isatty() else None
    try:
        await look(findings, ways, seconds)
    finally:
        if showing is not None:
            showing.cancel()
            await asyncio.gather(showing, return_exceptions=True)


def _ways(options: dict[str, Any]) -> list[Way]:
    from adapters.discovery_broker import at_a_broker, broker_of
    from adapters.discovery_ways import on_serial_ports, on_the_air
    from ingest.clock import SystemClock

    clock = SystemClock()
    ways: list[Way] = []
    if options["serial"]:
        ports = functools.partial(_ports, options["serial_ports"])
        ways.append(functools.partial(on_serial_ports, clock=clock, ports=ports))
    if options["bluetooth"]:
        on_air = functools.partial(on_the_air, radio=options["radio"], connecting=options["connect"])
        ways.append(functools.partial(on_air, clock=clock))
    if options["broker"]:
        broker, entry = broker_of(_settings(options)), _entry(options)
        ways.append(functools.partial(at_a_broker, clock=clock, broker=broker, topic=options["topic"], entry=entry))
    return ways


def _ports(more: tuple[str, ...]) -> list[str]:
    from adapters.serial_port import ports_there

    return list(dict.fromkeys([*ports_there(), *more]))


def _entry(options: dict[str, Any]) -> dict[str, Any]:
    """Give how an adapter is wired to the broker, without its topics: whole, but for the password itself."""
    entry: dict[str, Any] = {"broker": options["broker"]}
    if options["port"]:
        entry["port"] = options["port"]
    if options["tls"]:
        entry["tls"] = True
    if options["ca_file"]:
        entry["ca_file"] = str(Path(options["ca_file"]).absolute())
    if options["login"]:
        entry |= {"login": options["login"], "password_env": PASSWORD_VARIABLE}
    return entry


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
        "password": _password() if options["login"] else None,
    }


def _password() -> str:
    from ingest.errors import SettingsError

    password = os.environ.get(PASSWORD_VARIABLE)
    if not password:
        raise SettingsError(
            "the password of the login is not there",
            where=PASSWORD_VARIABLE,
            mend="Put it into this environment variable.",
        )
    return password


async def _show(findings: Findings) -> None:
    """Draw what is found anew every second."""
    from ingest.clock import SystemClock

    clock = SystemClock()
    while True:
        click.clear()
        for found in findings.found.values():
            click.echo(f"{'>>' if found.is_moving(clock.now_ms()) else '  '} {line_of(found)}")
        click.echo("\nListening… breathe on a sensor: it is marked by >>. Ctrl+C ends, and shows how to assign them.")
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
    """Give all that was found, how to assign it, and what could not be looked at."""
    for found in findings.found.values():
        yield line_of(found)
    if not findings.found:
        yield "There are no readings. Sensors that speak seldom need a longer look: --seconds 600"
    else:
        yield from _assigning(list(findings.found.values()))
    if findings.unread:
        yield "\nNothing that could be read came from:"
        for path, clause in findings.unread.items():
            yield f"  - {path}: {clause}"
        yield "  A device that answers only when it is asked: lumberroom adapters serial_poll (or modbus_rtu)"
    if findings.troubles:
        yield "\nNot looked at:"
        for trouble in findings.troubles.values():
            yield f"  - {trouble}"


def _assigning(found: list[Found]) -> Iterator[str]:
    """Give the lines of the settings file, those of one adapter once, with whom they are about."""
    from adapters.discovery import NAME_IT, WHICH_ONE, as_toml, asks_for

    yield "\nTo read one, put its lines into lumberroom.toml; a room's sensor stands behind the lines of its [[room]]."
    yield f'Put names of your own in place of "{NAME_IT}", alike in both places.'
    if any(asks_for(one.settings, WHICH_ONE) for one in found):
        names = "temperature_c, temperature_f, rh_percent, wood_mc_percent, pressure_hpa, battery_percent"
        yield f'Put what each number is in place of "{WHICH_ONE}" ({names} …), and leave out the others.'
    by_lines: dict[str, list[Found]] = {}
    for one in found:
        by_lines.setdefault(one.wiring, []).append(one)
    for wiring, those in by_lines.items():
        yield ""
        for one in those:
            yield f"# {one.way} {one.address}{f', which needs {one.lacks}' if one.lacks else ''}"
        yield wiring
        for one in those:
            named = NAME_IT if asks_for(one.settings, NAME_IT) else one.sensor
            yield f"[[room.sensor]]\nid = {as_toml(named)}"
